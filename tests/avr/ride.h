/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A ride of the real controller: its machine code on the emulated board, and
 * around it the rehearsal's engine.  Coil pins drive the simulated valves, the
 * simulated crank drives tooth and index pins, the simulated sensors the
 * converter.  What the serial port sends goes to a file, or anywhere else. */
#ifndef TRAMMEL_AVR_RIDE_H
#define TRAMMEL_AVR_RIDE_H

#include "analyse/rehearse/settings.h"
#include "analyse/rehearse/truth.h"
#include "common/engine.h"
#include "common/fault.h"
#include "tests/avr/board.h"

#include <stdio.h>

/* Things that go wrong, beside those of the settings; times in s, NAN = not. */
struct ride_faults {
	double reset_at, reset_s;               /* the reset pin, held this long */
	double dip_at, dip_s;                   /* the supply falls too low for the board */
	double index_lost_at, index_lost_until; /* the switch does not close */
	double unplugged_at, unplugged_until;   /* the plug of the serial line is out */
};
struct ride_faults ride_no_faults(void);

/* Who hears the serial port.  A NULL function is left out. */
struct ride_link {
	void *ctx;
	void (*byte)(void *ctx, uint8_t byte);
	void (*plug)(void *ctx, bool in); /* pulled, put back */
};
/* Bytes into a file, which stays the caller's. */
struct ride_link ride_link_file(FILE *f);

/* A coil pin changed. */
struct ride_coil {
	double t_s, theta_deg;
	unsigned valve;
	bool on;
};

struct ride; /* opaque */

/* `truth_dir` as in
 * truth_open.  NULL with fault. */
struct ride *ride_new(const struct engine *e, const struct settings *s, const struct ride_faults *faults,
                      const char *elf, const char *truth_dir, const struct ride_link *link,
                      struct fault *fault);
void ride_free(struct ride *r);

void ride_run(struct ride *r, double until_s);

/* Writes the truth. */
int ride_finish(struct ride *r, struct fault *fault);

/* Coil changes so far, oldest first. */
const struct ride_coil *ride_coils(const struct ride *r, size_t *n);

/* Changes given to the pins. */
struct ride_fed {
	uint64_t tooth, index;
};
struct ride_fed ride_fed(const struct ride *r);

double ride_theta_deg(const struct ride *r);
double ride_rpm(const struct ride *r);
const struct truth *ride_truth(const struct ride *r);
struct board *ride_board(struct ride *r);

#endif
