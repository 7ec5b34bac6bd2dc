/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/selection.h"

#include "analyse/cli.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sysexits.h>

static const struct selection_range OPEN = {-INFINITY, INFINITY};

struct selection selection_all(void)
{
	return (struct selection){.time_s = OPEN, .speed_rpm = OPEN, .supply_bar_gauge = OPEN};
}

static bool is_open(const struct selection_range *r)
{
	return isinf(r->low) && isinf(r->high);
}

bool selection_is_part(const struct selection *s)
{
	return !is_open(&s->time_s) || !is_open(&s->speed_rpm) || !is_open(&s->supply_bar_gauge);
}

static bool holds(const struct selection_range *r, double x)
{
	return is_open(r) || (x >= r->low && x <= r->high);
}

bool selection_has_time(const struct selection *s, double time_s)
{
	return time_s >= s->time_s.low && time_s < s->time_s.high;
}

bool selection_has(const struct selection *s, double time_s, double speed_rpm, double supply_bar_gauge)
{
	return selection_has_time(s, time_s) && holds(&s->speed_rpm, speed_rpm) &&
	       holds(&s->supply_bar_gauge, supply_bar_gauge);
}

/* --- words -------------------------------------------------------------- */

static void say(char *out, const char *before, const struct selection_range *r, const char *unit)
{
	size_t used = strlen(out);
	char *at = out + used;
	size_t room = SELECTION_WORDS_MAX - used;
	const char *comma = used > 0 ? ", " : "";
	if (is_open(r))
		return;
	if (isinf(r->high))
		snprintf(at, room, "%s%s%.6g %s and more", comma, before, r->low, unit);
	else if (isinf(r->low))
		snprintf(at, room, "%s%sup to %.6g %s", comma, before, r->high, unit);
	else
		snprintf(at, room, "%s%s%.6g to %.6g %s", comma, before, r->low, r->high, unit);
}

const char *selection_words(const struct selection *s, char out[SELECTION_WORDS_MAX])
{
	out[0] = '\0';
	say(out, "", &s->time_s, "s");
	say(out, "at ", &s->speed_rpm, "rpm");
	say(out, "at ", &s->supply_bar_gauge, "bar gauge");
	return out;
}

/* --- options ------------------------------------------------------------- */

static const char *name_of(int option)
{
	static const char *const NAME[] = {"--from", "--to", "--speed", "--supply"};
	return NAME[option - SELECTION_FROM];
}

bool selection_is_option(int option)
{
	return option >= SELECTION_FROM && option <= SELECTION_SUPPLY;
}

/* The first n characters as a number of at least nought; false when they are none. */
static bool number(const char *text, size_t n, double *x)
{
	char digits[40], *stopped;
	if (n == 0 || n >= sizeof digits)
		return false;
	memcpy(digits, text, n);
	digits[n] = '\0';
	*x = strtod(digits, &stopped);
	return *stopped == '\0' && stopped != digits && isfinite(*x) && *x >= 0;
}

static int take_time(double *x, const char *command, int option, const char *text)
{
	if (number(text, strlen(text), x))
		return EX_OK;
	return cli_usage(command, "%s wants seconds from the ride's start, a number such as 12.5, not \"%s\"",
	                 name_of(option), text);
}

static int take_range(struct selection_range *r, const char *command, int option, const char *text)
{
	const char *dots = strstr(text, "..");
	double low = -INFINITY, high = INFINITY;
	if (dots == NULL || strlen(text) == 2 ||
	    (dots > text && !number(text, (size_t)(dots - text), &low)) ||
	    (dots[2] != '\0' && !number(dots + 2, strlen(dots + 2), &high)))
		return cli_usage(command, "%s wants a range in %s such as %s, not \"%s\"", name_of(option),
		                 option == SELECTION_SPEED ? "rpm" : "bar gauge",
		                 option == SELECTION_SPEED ? "100..150, 100.. or ..150"
		                                           : "3.5..4.5, 3.5.. or ..4.5",
		                 text);
	if (!(low < high))
		return cli_usage(command, "%s: %s runs from high to low; put the lower number first",
		                 name_of(option), text);
	*r = (struct selection_range){low, high};
	return EX_OK;
}

int selection_take(struct selection *s, const char *command, int option, const char *text)
{
	switch (option) {
	case SELECTION_FROM:
		return take_time(&s->time_s.low, command, option, text);
	case SELECTION_TO:
		return take_time(&s->time_s.high, command, option, text);
	case SELECTION_SPEED:
		return take_range(&s->speed_rpm, command, option, text);
	default:
		return take_range(&s->supply_bar_gauge, command, option, text);
	}
}

int selection_check(const struct selection *s, const char *command)
{
	if (s->time_s.low < s->time_s.high)
		return EX_OK;
	return cli_usage(command, "--to %g s does not come after --from %g s", s->time_s.high, s->time_s.low);
}
