/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Both ends at once: each is a chamber of its own, with its own sensor, transitions and learning. */
#include "analyse/beside.h"
#include "analyse/valve_events_internal.h"

struct errand {
	struct valve_events *v;
	valve_end_work work;
	void *ctx;
};

static void run(void *arg, size_t end)
{
	const struct errand *e = arg;
	e->work(e->v, (enum engine_end)end, e->ctx);
}

void valve_each_end(struct valve_events *v, valve_end_work work, void *ctx)
{
	struct errand e = {.v = v, .work = work, .ctx = ctx};
	beside_do(END_COUNT, run, &e);
}
