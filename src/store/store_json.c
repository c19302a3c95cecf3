// The JSON texts of the record are looked at without the heap and without SQLite: its JSON
// functions answer "not valid" when memory ends, which here would read as damage.
#include "store/store_priv.h"

#include <math.h>
#include <string.h>

#define DEPTH 100 // nesting; documents of this program have less than ten

static const char *skip_space(const char *p)
{
    return p + strspn(p, " \t\n\r");
}

static bool is_digit(char c)
{
    return c >= '0' && c <= '9';
}

// All scanners: from the first character of a thing to behind it, NULL when it is not well-formed.
// Grammar of RFC 8259, sections 3 to 7.

static const char *scan_string(const char *p)
{
    if (*p++ != '"') {
        return NULL;
    }
    while (*p != '"') {
        if ((unsigned char)*p < 0x20) { // also the end of the text
            return NULL;
        }
        if (*p++ != '\\') {
            continue;
        }
        if (*p == 'u') {
            if (strspn(p + 1, "0123456789abcdefABCDEF") < 4) {
                return NULL;
            }
            p += 5;
        } else if (*p && strchr("\"\\/bfnrt", *p)) {
            p++;
        } else {
            return NULL;
        }
    }
    return p + 1;
}

// *value is within a rounding or two of the number; good enough to ask how large it is.
static const char *scan_number(const char *p, double *value)
{
    bool is_negative = *p == '-', is_small = false;
    double v = 0, exponent = 0, power;
    p += is_negative;
    if (!is_digit(*p) || (p[0] == '0' && is_digit(p[1]))) {
        return NULL;
    }
    for (; is_digit(*p); p++) {
        v = v * 10 + (*p - '0');
    }
    if (*p == '.') {
        double unit = 0.1;
        if (!is_digit(*++p)) {
            return NULL;
        }
        for (; is_digit(*p); p++, unit /= 10) {
            v += (*p - '0') * unit;
        }
    }
    if (*p == 'e' || *p == 'E') {
        p++;
        is_small = *p == '-';
        p += *p == '-' || *p == '+';
        if (!is_digit(*p)) {
            return NULL;
        }
        for (; is_digit(*p); p++) {
            exponent = fmin(exponent * 10 + (*p - '0'), 1e6);
        }
    }
    power = is_small ? -exponent : exponent;
    v = v > 0 ? v * pow(10, power) : 0; // 0e999 is 0
    *value = is_negative ? -v : v;
    return p;
}

static const char *scan_scalar(const char *p)
{
    static const char *const word[] = {"true", "false", "null"};
    double ignored;
    for (size_t i = 0; i < sizeof word / sizeof word[0]; i++) {
        if (strncmp(p, word[i], strlen(word[i])) == 0) {
            return p + strlen(word[i]);
        }
    }
    return *p == '"' ? scan_string(p) : scan_number(p, &ignored);
}

// "name": before a member of an object, with the spaces.
static const char *scan_key(const char *p)
{
    p = scan_string(skip_space(p));
    p = p ? skip_space(p) : NULL;
    return p && *p == ':' ? skip_space(p + 1) : NULL;
}

bool hc_store_is_json(const char *text)
{
    char close[DEPTH]; // what ends each array or object that is open
    int depth = 0;
    const char *p = text ? skip_space(text) : NULL;
    while (p) {
        bool is_object = *p == '{';
        if (is_object || *p == '[') {
            if (depth == DEPTH) {
                return false;
            }
            close[depth++] = is_object ? '}' : ']';
            p = skip_space(p + 1);
            if (*p != close[depth - 1]) {
                p = is_object ? scan_key(p) : p;
                continue; // to its first value
            }
        } else {
            p = scan_scalar(p);
        }
        // Behind a value: close what ends here, then go to the next value.
        while (p && (p = skip_space(p)) && depth > 0 && *p == close[depth - 1]) {
            depth--;
            p++;
        }
        if (!p || depth == 0) {
            break;
        }
        if (*p != ',') {
            return false;
        }
        p = close[depth - 1] == '}' ? scan_key(p + 1) : skip_space(p + 1);
    }
    return p && *p == 0;
}

// One "[x,y]" within 1e9 px.
static const char *scan_corner(const char *p)
{
    for (int i = 0; i < 2; i++) {
        double v = 0;
        if (*p != (i == 0 ? '[' : ',')) {
            return NULL;
        }
        p = scan_number(skip_space(p + 1), &v);
        if (!p || !(fabs(v) <= 1e9)) {
            return NULL;
        }
        p = skip_space(p);
    }
    return *p == ']' ? skip_space(p + 1) : NULL;
}

bool hc_store_is_polygon(const char *text)
{
    size_t corners = 0;
    const char *p = text ? skip_space(text) : "";
    if (*p != '[') {
        return false;
    }
    do {
        p = scan_corner(skip_space(p + 1));
        corners++;
    } while (p && *p == ',');
    return p && *p == ']' && *skip_space(p + 1) == 0 && corners >= 3;
}
