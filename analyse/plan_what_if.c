/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/plan.h"

#include "common/unit.h"

#include <stdio.h>
#include <string.h>

static const char *skip_blanks(const char *s)
{
	return s + strspn(s, " \t");
}

/* Takes one of the words off *text; its place in the list, or -1. */
static int take_word(const char **text, const char *const *words, size_t n)
{
	for (size_t i = 0; i < n; i++) {
		size_t len = strlen(words[i]);
		if (strncmp(*text, words[i], len) == 0 && strchr(" \t=", (*text)[len]) != NULL &&
		    (*text)[len] != '\0') {
			*text = skip_blanks(*text + len);
			return (int)i;
		}
	}
	return -1;
}

int plan_what_if_parse(const char *text, struct plan_what_if *out, char *why, size_t why_size)
{
	static const char *const ends[] = {"cap", "rod"};
	static const char *const events[] = {"admission", "cut-off", "release", "compression"};
	const char *s = skip_blanks(text);
	int end = take_word(&s, ends, 2);
	int event = end < 0 ? -1 : take_word(&s, events, EVENT_KINDS);
	if (end < 0 || event < 0 || *s != '=') {
		snprintf(why, why_size,
		         "write END EVENT = ANGLE, with cap or rod and admission, cut-off, release or "
		         "compression, for example \"cap cut-off = 70 deg\"");
		return -1;
	}
	out->end = (enum engine_end)end;
	out->event = (enum valve_event_kind)event;
	return unit_parse(skip_blanks(s + 1), UNIT_ANGLE, 0, &out->angle_rad, why, why_size);
}
