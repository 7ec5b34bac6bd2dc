/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Both ends at once: each is a chamber of its own, with its own sensor, transitions and learning. */
#include "analyse/valve_events_internal.h"

#include <pthread.h>

struct errand {
	struct valve_events *v;
	enum engine_end end;
	valve_end_work work;
	void *ctx;
};

static void *run(void *arg)
{
	const struct errand *e = arg;
	e->work(e->v, e->end, e->ctx);
	return NULL;
}

void valve_each_end(struct valve_events *v, valve_end_work work, void *ctx)
{
	struct errand rod = {.v = v, .end = END_ROD, .work = work, .ctx = ctx};
	pthread_t thread;
	bool both = v->chamber[END_CAP].series != NULL && v->chamber[END_ROD].series != NULL;
	bool beside = both && pthread_create(&thread, NULL, run, &rod) == 0;
	work(v, END_CAP, ctx);
	if (beside)
		pthread_join(thread, NULL);
	else
		run(&rod);
}
