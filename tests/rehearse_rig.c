/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "tests/rehearse_rig.h"

#include <check.h>
#include <stdlib.h>
#include <string.h>

static const char demo[] =
    "[engine]\n"
    "name            = Number 7 trolley\n"
    "mechanism       = oscillating cylinder\n"
    "pivot distance  = 420 mm\n"
    "crank radius    = 62.5 mm\n"
    "bore            = 63 mm\n"
    "rod             = 20 mm\n"
    "clearance cap   = 18 ml\n"
    "clearance rod   = 21 ml\n"
    "ambient         = 1.013 bar\n"
    "air temperature = 18 degC\n"
    "[teeth]\n"
    "count       = 36\n"
    "edges       = both\n"
    "index angle = 14.5 deg\n"
    "[valve 0]\nrole = cap inlet\nopens = 0 deg\nshuts = 96 deg\n"
    "[valve 1]\nrole = cap exhaust\nopens = 172 deg\nshuts = 352 deg\n"
    "[valve 2]\nrole = rod inlet\nopens = 180 deg\nshuts = 276 deg\n"
    "[valve 3]\nrole = rod exhaust\nopens = 352 deg\nshuts = 172 deg\n"
    "[sensor 0]\nrole = supply\nlow = 102 counts, 0 bar gauge\nhigh = 921 counts, 10 bar gauge\n"
    "[sensor 1]\nrole = cap\nlow = 102 counts, 0 bar gauge\nhigh = 921 counts, 10 bar gauge\n"
    "[sensor 2]\nrole = rod\nlow = 102 counts, 0 bar gauge\nhigh = 921 counts, 10 bar gauge\n"
    "[drive]\ncrank sprocket = 15\nwheel sprocket = 30\nwheel diameter = 400 mm\nmass = 160 kg\n"
    "[tank]\nvolume = 50 l\n";

struct engine rehearse_rig_engine(void)
{
	return rehearse_rig_engine_of(demo);
}

struct engine rehearse_rig_engine_of(const char *text)
{
	struct engine e;
	struct fault f = {0};
	int bad = engine_parse("demo.ini", text, strlen(text), &e, &f);
	ck_assert_msg(bad == 0, "%s", f.text);
	return e;
}

struct settings rehearse_rig_settings(const char *const *assignments)
{
	struct settings s = settings_default();
	for (; *assignments != NULL; assignments++) {
		struct fault f = {0};
		int bad = settings_apply(&s, *assignments, &f);
		ck_assert_msg(bad == 0, "%s", f.text);
	}
	return s;
}

static int keep(void *ctx, const struct record *r)
{
	struct rehearse_rig_log *log = ctx;
	if (log->len == log->capacity) {
		log->capacity = log->capacity == 0 ? 4096 : 2 * log->capacity;
		log->record = realloc(log->record, log->capacity * sizeof *log->record);
		ck_assert_ptr_nonnull(log->record);
	}
	log->record[log->len] = *r;
	log->record[log->len].text = NULL;
	log->record[log->len++].text_len = 0;
	return 0;
}

struct rehearse_sink rehearse_rig_sink(struct rehearse_rig_log *log)
{
	return (struct rehearse_sink){.ctx = log, .record = keep};
}

void rehearse_rig_log_free(struct rehearse_rig_log *log)
{
	free(log->record);
	*log = (struct rehearse_rig_log){.len = 0};
}

struct rehearse *rehearse_rig_run(const struct engine *e, const struct settings *s, const char *truth_dir,
                                  struct rehearse_rig_log *log)
{
	struct fault f = {0};
	struct rehearse_sink sink = rehearse_rig_sink(log);
	struct rehearse *r = rehearse_new(e, s, truth_dir, &sink, &f);
	ck_assert_msg(r != NULL, "%s", f.text);
	ck_assert_int_eq(rehearse_run(r, s->duration), 0);
	int bad = rehearse_finish(r, &f);
	ck_assert_msg(bad == 0, "%s", f.text);
	return r;
}

size_t rehearse_rig_count(const struct rehearse_rig_log *log, enum record_kind kind, int64_t value)
{
	size_t n = 0;
	for (size_t i = 0; i < log->len; i++)
		n += log->record[i].kind == kind && (value < 0 || log->record[i].value == value);
	return n;
}
