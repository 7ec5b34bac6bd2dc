/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Two rides side by side: every difference with its 95 % interval, and "no
 * difference shown" as an answer. */
#ifndef TRAMMEL_COMPARE_H
#define TRAMMEL_COMPARE_H

#include "analyse/report.h"

#define COMPARE_ROWS_MAX 80

enum compare_verdict {
	COMPARE_NOT_KNOWN,
	COMPARE_NO_DIFFERENCE,
	COMPARE_BETTER,
	COMPARE_WORSE,
	COMPARE_DIFFERENT
};
/* "no difference shown", "better", ... */
const char *compare_verdict_name(enum compare_verdict v);

struct compare_row {
	char what[64]; /* "cap admission, error" */
	const char *unit;
	int decimals;
	double before, after;          /* NAN = not known */
	double difference, half_width; /* after - before, and half its 95 % interval; NAN */
	enum compare_verdict verdict;
};

struct comparison {
	size_t n;
	struct compare_row row[COMPARE_ROWS_MAX];
	struct report_lines notes; /* what makes the rides hard to compare */
};

/* Scatter, not systematic error, gives the intervals: gauges, clock and index are the same
 * in both rides and cancel; the doubt of the air's balance does not when the valves were moved.  Whatever
 * depends on speed is taken at the speed half-way between the rides' means: events by their own delay and the
 * controller's lead, strokes by their line over speed. */
void compare_reports(const struct report *before, const struct report *after, struct comparison *out);

/* Half of the 95 % interval of a difference of two means with these standard deviations,
 * each of n values: Student's t with Welch's degrees of freedom.  NAN when either is not known. */
double compare_half_width(double sd_a, unsigned n_a, double sd_b, unsigned n_b);

/* What the intervals are made of, and what "no difference shown" does not mean. */
const char *compare_explanation(void);

int compare_text(const struct comparison *c, const struct report *before, const struct report *after,
                 FILE *out, bool colour);
/* Schema trammel.compare/1. */
int compare_json(const struct comparison *c, const struct report *before, const struct report *after,
                 FILE *out);

/* One self-contained page of n <= HTML_RIDES_MAX rides, all in each picture: ride[0] is the one before,
 * difference[i] is ride[i] against it (difference[0] is not read). */
int compare_html(const struct report *const *ride, const struct comparison *difference, size_t n, FILE *out);

#endif
