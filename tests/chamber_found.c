/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "tests/chamber_found.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* Stops test and tool alike. */
static void must(bool ok, const char *what)
{
	if (ok)
		return;
	fprintf(stderr, "chamber_found: %s failed\n", what);
	abort();
}

void found_in(struct rig *r, struct found *f)
{
	struct fault fault;
	f->rig = r;
	f->v = valve_events_new(&r->engine, &r->mech, &r->wheel);
	must(f->v != NULL, "valve_events_new");
	must(valve_events_learn(f->v, &r->leg, &r->crank, &fault) == 0, "valve_events_learn");
	must(valve_events_find(f->v, &r->leg, &r->crank, NULL, &f->row, &f->n, &fault) == 0,
	     "valve_events_find");
	f->summaries = valve_events_finish(f->v, f->summary);
}

void found_run(const struct rig_setup *s, struct found *f)
{
	found_in(rig_run(s), f);
	must(f->n == f->rig->event_n, "matching events to truth");
}

void found_done(struct found *f)
{
	valve_events_free(f->v);
	rig_free(f->rig);
}

struct rig_setup found_short_ride(void)
{
	struct rig_setup s = rig_healthy();
	s.rpm_from = 80;
	s.rpm_to = 200;
	s.seconds = 8.5;
	return s;
}

bool found_counted(const struct valve_event *e)
{
	return e->cls == EVENT_CLASS_A || e->cls == EVENT_CLASS_B;
}

bool found_says(const struct found *f, const char *words)
{
	for (size_t i = 0; valve_events_finding(f->v, i) != NULL; i++)
		if (strstr(valve_events_finding(f->v, i), words) != NULL)
			return true;
	return false;
}
