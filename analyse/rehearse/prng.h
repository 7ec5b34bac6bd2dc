/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Seeded random numbers, the same on every machine: xoshiro256** (Blackman
 * and Vigna, 2018) started by splitmix64.  Each cause in a rehearsal has a
 * stream of its own, so that switching one fault on does not move another. */
#ifndef TRAMMEL_PRNG_H
#define TRAMMEL_PRNG_H

#include <stdbool.h>
#include <stdint.h>

struct prng {
	uint64_t s[4];
	double spare; /* second normal number of a pair */
	bool has_spare;
};

/* Stream `stream` of `seed`. */
struct prng prng_make(uint64_t seed, uint64_t stream);

uint64_t prng_next(struct prng *p);

/* Uniform in [0, 1). */
double prng_uniform(struct prng *p);

/* Normal, mean 0, standard deviation 1 (polar method, Marsaglia 1964). */
double prng_normal(struct prng *p);

/* Exponential with this mean: waiting time of a Poisson process. */
double prng_wait(struct prng *p, double mean);

/* True with this probability.  Draws nothing when it is 0. */
bool prng_chance(struct prng *p, double probability);

#endif
