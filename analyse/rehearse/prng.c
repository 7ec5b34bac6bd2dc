/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/rehearse/prng.h"

#include <math.h>

static uint64_t splitmix(uint64_t *x)
{
	uint64_t z = (*x += 0x9e3779b97f4a7c15u);
	z = (z ^ (z >> 30)) * 0xbf58476d1ce4e5b9u;
	z = (z ^ (z >> 27)) * 0x94d049bb133111ebu;
	return z ^ (z >> 31);
}

struct prng prng_make(uint64_t seed, uint64_t stream)
{
	struct prng p = {.spare = 0};
	uint64_t x = seed;
	x = splitmix(&x) ^ (stream * 0xd1342543de82ef95u);
	for (int i = 0; i < 4; i++)
		p.s[i] = splitmix(&x);
	return p;
}

static uint64_t rotate(uint64_t x, int k)
{
	return (x << k) | (x >> (64 - k));
}

uint64_t prng_next(struct prng *p)
{
	uint64_t *s = p->s;
	uint64_t result = rotate(s[1] * 5, 7) * 9, t = s[1] << 17;
	s[2] ^= s[0];
	s[3] ^= s[1];
	s[1] ^= s[2];
	s[0] ^= s[3];
	s[2] ^= t;
	s[3] = rotate(s[3], 45);
	return result;
}

double prng_uniform(struct prng *p)
{
	return (double)(prng_next(p) >> 11) * 0x1p-53;
}

double prng_normal(struct prng *p)
{
	if (p->has_spare) {
		p->has_spare = false;
		return p->spare;
	}
	double u, v, q;
	do {
		u = 2 * prng_uniform(p) - 1;
		v = 2 * prng_uniform(p) - 1;
		q = u * u + v * v;
	} while (q >= 1 || q == 0);
	double k = sqrt(-2 * log(q) / q);
	p->spare = v * k;
	p->has_spare = true;
	return u * k;
}

double prng_wait(struct prng *p, double mean)
{
	return -mean * log(1 - prng_uniform(p));
}

bool prng_chance(struct prng *p, double probability)
{
	return probability > 0 && prng_uniform(p) < probability;
}
