#include "base/rng.h"

#include <math.h>

static uint64_t splitmix(uint64_t *x)
{
    uint64_t z = (*x += 0x9e3779b97f4a7c15u);
    z = (z ^ (z >> 30)) * 0xbf58476d1ce4e5b9u;
    z = (z ^ (z >> 27)) * 0x94d049bb133111ebu;
    return z ^ (z >> 31);
}

static uint64_t rotl(uint64_t x, int k)
{
    return (x << k) | (x >> (64 - k));
}

struct hc_rng hc_rng_make(uint64_t seed)
{
    struct hc_rng r = {0};
    for (int i = 0; i < 4; i++) {
        r.s[i] = splitmix(&seed);
    }
    return r;
}

uint64_t hc_rng_u64(struct hc_rng *r)
{
    uint64_t *s = r->s, out = rotl(s[1] * 5, 7) * 9, t = s[1] << 17;
    s[2] ^= s[0];
    s[3] ^= s[1];
    s[1] ^= s[2];
    s[0] ^= s[3];
    s[2] ^= t;
    s[3] = rotl(s[3], 45);
    return out;
}

double hc_rng_unit(struct hc_rng *r)
{
    return (double)(hc_rng_u64(r) >> 11) * 0x1p-53;
}

double hc_rng_range(struct hc_rng *r, double lo, double hi)
{
    return lo + (hi - lo) * hc_rng_unit(r);
}

int hc_rng_below(struct hc_rng *r, int n)
{
    return (int)(hc_rng_unit(r) * (double)n);
}

double hc_rng_normal(struct hc_rng *r)
{
    double u, v, q, f;
    if (r->has_spare) {
        r->has_spare = 0;
        return r->spare;
    }
    do {
        u = 2.0 * hc_rng_unit(r) - 1.0;
        v = 2.0 * hc_rng_unit(r) - 1.0;
        q = u * u + v * v;
    } while (q >= 1.0 || q <= 0.0);
    f = sqrt(-2.0 * log(q) / q);
    r->spare = v * f;
    r->has_spare = 1;
    return u * f;
}

double hc_rng_hash(uint64_t seed, int64_t x, int64_t y)
{
    uint64_t k = seed ^ (uint64_t)x * 0x9e3779b97f4a7c15u;
    k = splitmix(&k) ^ (uint64_t)y * 0xd1b54a32d192ed03u;
    return (double)(splitmix(&k) >> 11) * 0x1p-53;
}
