/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A rehearsal: plant, valves, wheel, switch, controller, sensors and sender
 * put together and run in time. */
#ifndef TRAMMEL_REHEARSE_H
#define TRAMMEL_REHEARSE_H

#include "analyse/rehearse/sender.h"
#include "analyse/rehearse/settings.h"
#include "analyse/rehearse/truth.h"
#include "common/engine.h"
#include "common/fault.h"

struct rehearse; /* opaque */

/* Makes everything ready at time 0 and sends the first hello.  `truth_dir`
 * NULL: no truth files.  Records go to `sink` during rehearse_run.  NULL with
 * fault when engine and settings do not go together. */
struct rehearse *rehearse_new(const struct engine *e, const struct settings *s, const char *truth_dir,
                              const struct rehearse_sink *sink, struct fault *fault);

/* Runs on until this time, s, or the end of the ride.  0, or -1 when the sink
 * takes no more or the engine has run away (rehearse_finish says so). */
int rehearse_run(struct rehearse *r, double until_s);

/* Sends what is held back and writes the truth. */
int rehearse_finish(struct rehearse *r, struct fault *fault);

/* Sums so far. */
const struct truth *rehearse_truth(const struct rehearse *r);

void rehearse_free(struct rehearse *r);

#endif
