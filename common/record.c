/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "common/record.h"

#include <stddef.h>
#include <string.h>

struct record record_make(enum record_kind kind, uint32_t t_us, unsigned channel, int64_t value)
{
	return (struct record){
	    .t_us = t_us,
	    .kind = (uint8_t)kind,
	    .channel = (uint8_t)channel,
	    .value = value,
	    .intended_ddeg = RECORD_ANGLE_NONE,
	    .controller_ddeg = RECORD_ANGLE_NONE,
	};
}

bool record_equal(const struct record *a, const struct record *b)
{
	return a->t_us == b->t_us && a->kind == b->kind && a->channel == b->channel && a->value == b->value &&
	       a->intended_ddeg == b->intended_ddeg && a->controller_ddeg == b->controller_ddeg &&
	       a->text_len == b->text_len && (a->text_len == 0 || memcmp(a->text, b->text, a->text_len) == 0);
}

static const char *name_of(const char *const *names, size_t n, unsigned i)
{
	return i < n && names[i] != NULL ? names[i] : "unknown";
}

const char *record_kind_name(unsigned kind)
{
	static const char *const names[RECORD_KIND_END] = {
	    [RECORD_TOOTH] = "tooth", [RECORD_TOOTH2] = "tooth2", [RECORD_INDEX] = "index",
	    [RECORD_VALVE] = "valve", [RECORD_SAMPLE] = "sample", [RECORD_MARK] = "mark",
	    [RECORD_LOST] = "lost",   [RECORD_HELLO] = "hello",   [RECORD_ARRIVAL] = "arrival",
	    [RECORD_GAP] = "gap",     [RECORD_ALARM] = "alarm",
	};
	return name_of(names, RECORD_KIND_END, kind);
}

const char *record_gap_name(unsigned reason)
{
	static const char *const names[GAP_END] = {
	    [GAP_LINK_DOWN] = "link down",       [GAP_LINK_UP] = "link up",
	    [GAP_DAMAGED] = "damaged bytes",     [GAP_FRAMES_LOST] = "frames lost",
	    [GAP_RING_FULL] = "buffer full",     [GAP_DISK] = "disk",
	    [GAP_SENDER_RESET] = "sender reset", [GAP_OVERRUN] = "port overrun",
	};
	return name_of(names, GAP_END, reason);
}

const char *record_alarm_name(unsigned reason)
{
	static const char *const names[ALARM_END] = {
	    [ALARM_SUPPLY] = "supply pressure",
	    [ALARM_SPEED] = "speed",
	    [ALARM_TEETH_MISSED] = "teeth missed",
	};
	return name_of(names, ALARM_END, reason);
}
