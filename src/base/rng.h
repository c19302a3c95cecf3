// Seeded random numbers: the same seed gives the same sequence everywhere.
// xoshiro256** with splitmix64 seeding (Blackman and Vigna, "Scrambled linear pseudorandom number
// generators", ACM TOMS 47(4), 2021; public-domain reference constants).
#ifndef HC_BASE_RNG_H
#define HC_BASE_RNG_H

#include <stdint.h>

struct hc_rng {
    uint64_t s[4];
    double spare;
    int has_spare;
};

struct hc_rng hc_rng_make(uint64_t seed);
uint64_t hc_rng_u64(struct hc_rng *r);
double hc_rng_unit(struct hc_rng *r);                        // 0 <= u < 1
double hc_rng_range(struct hc_rng *r, double lo, double hi); // lo <= v < hi
int hc_rng_below(struct hc_rng *r, int n);                   // 0 .. n-1, n >= 1
double hc_rng_normal(struct hc_rng *r);                      // mean 0, sd 1 (Marsaglia polar)
// A hash of a lattice point to 0 <= u < 1, for noise fields that must not depend on draw order.
double hc_rng_hash(uint64_t seed, int64_t x, int64_t y);

#endif
