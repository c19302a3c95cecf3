// A stand-in for the use cases, for the server's own tests only: it keeps the promises of
// work/work.h without images or a database, and stops the program when the server breaks the rule
// of one thread at a time for each handle.
#ifndef HC_SERVER_TEST_FAKE_H
#define HC_SERVER_TEST_FAKE_H

#include <stdatomic.h>

struct hc_test_fake {
    atomic_int windows;   // added so far
    atomic_int open;      // handles now open
    atomic_int most_jobs; // most heavy calls ever seen at once
    atomic_int jobs;      // heavy calls now
};

extern struct hc_test_fake hc_test_fake;

#endif
