/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/beside.h"

#include <pthread.h>
#include <stdatomic.h>
#include <stdbool.h>

struct jobs {
	beside_job job;
	void *ctx;
	size_t n;
	atomic_size_t next;
};

static void *work(void *arg)
{
	struct jobs *j = arg;
	for (size_t i = atomic_fetch_add(&j->next, 1); i < j->n; i = atomic_fetch_add(&j->next, 1))
		j->job(j->ctx, i);
	return NULL;
}

void beside_do(size_t n, beside_job job, void *ctx)
{
	struct jobs j = {.job = job, .ctx = ctx, .n = n, .next = 0};
	pthread_t other;
	bool two = n > 1 && pthread_create(&other, NULL, work, &j) == 0;
	work(&j);
	if (two)
		pthread_join(other, NULL);
}
