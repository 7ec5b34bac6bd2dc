/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The demo engine in memory, and a sink that keeps the records. */
#ifndef TRAMMEL_TESTS_REHEARSE_RIG_H
#define TRAMMEL_TESTS_REHEARSE_RIG_H

#include "analyse/rehearse/rehearse.h"

/* The demo engine, or another engine's text; aborts the test on a fault. */
struct engine rehearse_rig_engine(void);
struct engine rehearse_rig_engine_of(const char *text);

/* Settings with these assignments ("a=1", "b=2", ..., NULL) applied. */
struct settings rehearse_rig_settings(const char *const *assignments);

struct rehearse_rig_log {
	struct record *record; /* texts are not kept: text is NULL */
	size_t len, capacity;
};

struct rehearse_sink rehearse_rig_sink(struct rehearse_rig_log *log);
void rehearse_rig_log_free(struct rehearse_rig_log *log);

/* Runs a whole ride into `log`; the rehearsal is handed out for its truth. */
struct rehearse *rehearse_rig_run(const struct engine *e, const struct settings *s, const char *truth_dir,
                                  struct rehearse_rig_log *log);

/* Records of this kind; with `value` >= 0 only those. */
size_t rehearse_rig_count(const struct rehearse_rig_log *log, enum record_kind kind, int64_t value);

#endif
