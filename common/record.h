/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The record: the one thing that the link, the segment and the ride share.
 *
 * A record is (kind, sender time, channel, value).  Sender time is a 32-bit
 * microsecond counter that wraps every 71.6 min; readers unwrap it
 * (analyse/ride.h).  Records are plain values; `text` is borrowed and stays
 * valid only until the next call of whoever handed the record out. */
#ifndef TRAMMEL_RECORD_H
#define TRAMMEL_RECORD_H

#include <stdbool.h>
#include <stdint.h>

enum record_kind {
	RECORD_TOOTH = 1, /* tooth edge: value = level 0|1 */
	RECORD_TOOTH2,    /* second encoder channel edge: value = level */
	RECORD_INDEX,     /* index switch edge: value = level, 1 = closed */
	RECORD_VALVE,     /* valve command: channel = valve, value = 0|1, angles */
	RECORD_SAMPLE,    /* ADC sample: channel, value = counts */
	RECORD_MARK,      /* rider's button: text (may be empty) */
	RECORD_LOST,      /* value = records the sender dropped */
	RECORD_HELLO,     /* value = format version, text = sender name */
	/* Kinds made by the host; t_us is the latest sender time seen. */
	RECORD_ARRIVAL, /* value = host CLOCK_MONOTONIC in us at the read that
	                   ended with sender time t_us */
	RECORD_GAP,     /* channel = enum record_gap, value = amount, text = why */
	RECORD_ALARM,   /* channel = enum record_alarm, value = milli-units */
	RECORD_KIND_END
};

/* Why records are missing.  `value` counts what the unit says. */
enum record_gap {
	GAP_LINK_DOWN = 1, /* value 0: port vanished, hung up or could not open */
	GAP_LINK_UP,       /* value = us without link */
	GAP_DAMAGED,       /* value = bytes that were no valid frame or line */
	GAP_FRAMES_LOST,   /* value = frames missing by sequence number */
	GAP_RING_FULL,     /* value = bytes the receiver had to drop */
	GAP_DISK,          /* value = records that could not be kept */
	GAP_SENDER_RESET,  /* value 0: the sender started again */
	GAP_OVERRUN,       /* value = bytes the port's driver says it lost */
	GAP_END
};

enum record_alarm {
	ALARM_SUPPLY = 1,   /* value = supply pressure, Pa gauge */
	ALARM_SPEED,        /* value = milli-rpm */
	ALARM_TEETH_MISSED, /* value = teeth missed in the last turn */
	ALARM_END
};

/* Angles of a valve command, tenths of a degree; RECORD_ANGLE_NONE = not sent. */
#define RECORD_ANGLE_NONE INT16_MIN
#define RECORD_TEXT_MAX 120 /* longest text, bytes, without terminator */

struct record {
	uint32_t t_us;
	uint8_t kind;    /* enum record_kind */
	uint8_t channel; /* valve number, ADC channel, gap or alarm reason; else 0 */
	uint16_t text_len;
	int64_t value;
	int16_t intended_ddeg;   /* valve only: angle asked for, 0.1 deg */
	int16_t controller_ddeg; /* valve only: angle the controller believed */
	const char *text;        /* not terminated; NULL when text_len is 0 */
};

/* A record of this kind with every other field empty (angles "not sent"). */
struct record record_make(enum record_kind kind, uint32_t t_us, unsigned channel, int64_t value);

/* Same kind, time, channel, value, angles and text. */
bool record_equal(const struct record *a, const struct record *b);

/* Lower-case name of a kind ("tooth"), a gap reason ("link down") or an alarm;
 * "unknown" outside the list.  Static storage. */
const char *record_kind_name(unsigned kind);
const char *record_gap_name(unsigned reason);
const char *record_alarm_name(unsigned reason);

#endif
