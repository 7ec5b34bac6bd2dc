/* SPDX-License-Identifier: 0BSD */
/* Where the crank is, as far as teeth and index tell, and when not to believe
 * it.  No registers of any processor here: the host can run it too.
 *
 * Angles are 65536ths of a turn (so that they wrap by themselves), 0 = cap-end
 * dead centre.  The state:
 *
 *	UNKNOWN   no index since the start, a standstill, or a doubt
 *	CHECKING  index seen after a doubt: one turn must have its count of teeth
 *	KNOWN     angle good; after a standstill from the first index on
 *
 * A doubt is: an index with a wrong count of teeth before it, a turn without
 * index, or pulses closer together than any crank could make them.  Only in
 * KNOWN may the inlets open. */
#ifndef CONTROLLER_CRANK_H
#define CONTROLLER_CRANK_H

#include <stdbool.h>
#include <stdint.h>

enum crank_state { CRANK_UNKNOWN, CRANK_CHECKING, CRANK_KNOWN };

/* What just happened, for the log. */
enum crank_note {
	CRANK_NOTHING,
	CRANK_FOUND,
	CRANK_FOUND_AGAIN,
	CRANK_PROVED,
	CRANK_NOISE,
	CRANK_NO_INDEX,
	CRANK_WRONG_COUNT,
	CRANK_STANDS
};

struct crank {
	enum crank_state state;
	bool doubted;         /* the last UNKNOWN came from a doubt */
	bool at_index;        /* the next edge is the first after the index */
	bool placed;          /* angle holds: an edge has come since the first index */
	uint8_t edges;        /* since standstill, up to 2 */
	uint8_t tooth;        /* edges since the index */
	uint8_t noise;        /* pulses not counted, since the index */
	uint16_t angle, part; /* at the last edge; part: remainder of the division by TEETH */
	uint32_t edge_us, pitch_us;
	uint32_t turn_us; /* time of a turn, from the last pitches; 0 = not known */
	uint16_t speed;   /* 2^30 / turn_us: angle per 16384 us; 0 = not known */
	uint32_t index_us;
	enum crank_note note; /* the reader sets it back to CRANK_NOTHING */
};

#define CRANK_TURN(ddeg) ((uint16_t)(((uint32_t)(ddeg)*65536ul + 1800) / 3600))
#define CRANK_DDEG(angle) ((int16_t)((uint32_t)(angle)*3600ul >> 16))

void crank_start(struct crank *c);

/* A rising edge.  False: it was not counted. */
bool crank_edge(struct crank *c, uint32_t t_us);

/* The index switch changed. */
void crank_index(struct crank *c, uint32_t t_us, bool closed);

/* For a doubt from elsewhere: the angle is given up until the index has come and
 * a turn has had its count. */
void crank_doubt(struct crank *c);

/* Looks for a standstill; call it often. */
void crank_rest(struct crank *c, uint32_t now_us);

/* The angle at a time near the last edge, by the speed. */
uint16_t crank_at(const struct crank *c, uint32_t t_us);

/* Time from the last edge to `ahead` of angle further on, us. */
uint32_t crank_time(const struct crank *c, uint16_t ahead);

#endif
