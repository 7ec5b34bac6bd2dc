/* SPDX-License-Identifier: GPL-3.0-or-later */
/* For tests: machines drawn at random on which the event finder is tried: size,
 * valves, leaks, sensors' lag, speeds and supply differ widely; sampling and noise are those of the goals. */
#ifndef TRAMMEL_TESTS_EVENT_MACHINES_H
#define TRAMMEL_TESTS_EVENT_MACHINES_H

#define EVENT_MACHINE_WORDS 52
#define EVENT_MACHINE_WORD 40

struct event_machine {
	char engine[3000]; /* engine file */
	char word[EVENT_MACHINE_WORDS][EVENT_MACHINE_WORD];
	const char *words[2 * EVENT_MACHINE_WORDS + 1]; /* for `trammel rehearse`, NULL at the end */
	unsigned n;                                     /* words in use */
	double bore_mm, swept_ml, lag_ms, rpm, rpm_to, supply_bar;
	double ramp_ms[2]; /* of coil on, coil off; of the first valve */
};

enum event_machines {
	EVENT_MACHINES_ANY,
	/* besides, gauges that differ by up to 3 % and 50 mbar from the supply's, lags of up to 4 ms,
	 * passages up to four times as wide, exhausts that still shut while the inlet opens */
	EVENT_MACHINES_ODD,
	/* all of the size and the ride for which the goals are stated: 40 mm bore, 60 mm stroke, 12 %
	 * clearance, 6 bar gauge, 60 to 200 rpm; only valves, leaks, walls and lag differ */
	EVENT_MACHINES_SMALL
};

/* Machine number `i`, the same every time.  `hz`: samples a second of each chamber. */
void event_machine_draw(unsigned i, double seconds, double hz, enum event_machines which,
                        struct event_machine *m);

#endif
