/* SPDX-License-Identifier: GPL-3.0-or-later */
/* For tests: rides of the demo machine with something wrong, and what the report says of it. */
#ifndef DOUBTS_RIG_H
#define DOUBTS_RIG_H

#include "tests/road_rig.h"

#define DOUBTS_ENGINE "sample-logs/number7.ini"
#define WORDS(...) ((const char *const[]){__VA_ARGS__, NULL})
#define STEADY "--ride", "late", "--seed", "8", "--set", "drive=1", "--set"

/* A ride with these words for `trammel rehearse`.  Aborts the test (Check) when it fails; road_free(). */
struct road *doubts_ride(const char *const *words);

/* The first warning that holds these words; NULL = none. */
const char *doubts_line(const struct road *r, const char *words);

/* The demo engine with one passage of its text changed, in a file of its own: the caller unlinks it. */
void doubts_engine(char path[64], const char *was, const char *becomes);

#endif
