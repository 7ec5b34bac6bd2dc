/* SPDX-License-Identifier: 0BSD */
#include "crank.h"
#include "config.h"

#define PITCH ((uint16_t)(65536ul / TEETH))
#define PITCH_PART ((uint16_t)(65536ul % TEETH))

void crank_start(struct crank *c)
{
	*c = (struct crank){.state = CRANK_UNKNOWN};
}

static void doubt(struct crank *c, enum crank_note note)
{
	c->state = CRANK_UNKNOWN;
	c->doubted = true;
	c->placed = false;
	c->noise = 0;
	c->note = note;
}

void crank_doubt(struct crank *c)
{
	doubt(c, c->note);
}

/* Mean of the last pitches, the latest with half the weight. */
static void take_pitch(struct crank *c, uint32_t pitch_us)
{
	uint32_t turn_us = pitch_us * TEETH;
	c->pitch_us = pitch_us;
	c->turn_us = c->turn_us == 0 ? turn_us : (c->turn_us + turn_us) / 2;
	uint32_t speed = (1ul << 30) / (c->turn_us == 0 ? 1 : c->turn_us);
	c->speed = speed > 0xffff ? 0xffff : (uint16_t)speed;
}

static void step(struct crank *c)
{
	if (c->at_index) {
		c->angle = CRANK_TURN(INDEX_DDEG + FIRST_TOOTH_DDEG);
		c->part = 0;
		c->tooth = 1;
		c->at_index = false;
		c->placed = true;
		return;
	}
	c->tooth++;
	c->angle = (uint16_t)(c->angle + PITCH);
	c->part = (uint16_t)(c->part + PITCH_PART);
	if (c->part >= TEETH) {
		c->part = (uint16_t)(c->part - TEETH);
		c->angle++;
	}
}

/* Pulses within a quarter of the last pitch: no crank speeds up like that. */
static bool is_noise(struct crank *c, uint32_t since_us)
{
	if (c->edges < 2 || since_us >= c->pitch_us / 4)
		return false;
	c->noise++;
	if (c->noise > NOISE_MOST && c->state != CRANK_UNKNOWN)
		doubt(c, CRANK_NOISE);
	return true;
}

bool crank_edge(struct crank *c, uint32_t t_us)
{
	uint32_t since_us = t_us - c->edge_us;
	if (is_noise(c, since_us))
		return false;
	if (c->edges > 0)
		take_pitch(c, since_us);
	if (c->edges < 2)
		c->edges++;
	c->edge_us = t_us;
	if (c->state == CRANK_UNKNOWN)
		return true;
	step(c);
	if (c->tooth > TEETH)
		doubt(c, CRANK_NO_INDEX);
	return true;
}

static void begin_turn(struct crank *c, enum crank_state state)
{
	c->state = state;
	c->at_index = true;
	c->tooth = c->noise = 0;
}

void crank_index(struct crank *c, uint32_t t_us, bool closed)
{
	bool bounce = t_us - c->index_us < INDEX_BLANK_US;
	c->index_us = t_us;
	if (!closed || bounce)
		return;
	if (c->state == CRANK_UNKNOWN) {
		begin_turn(c, c->doubted ? CRANK_CHECKING : CRANK_KNOWN);
		c->note = c->doubted ? CRANK_FOUND_AGAIN : CRANK_FOUND;
	} else if (c->tooth == TEETH) {
		if (c->state == CRANK_CHECKING)
			c->note = CRANK_PROVED;
		c->doubted = false;
		begin_turn(c, CRANK_KNOWN);
	} else if (c->tooth >= TEETH / 2) {
		doubt(c, CRANK_WRONG_COUNT);
		begin_turn(c, CRANK_CHECKING);
	}
	/* Earlier than half a turn: a false closing.  Was the last one the false
	 * one, the turn will end without index. */
}

void crank_rest(struct crank *c, uint32_t now_us)
{
	if (c->edges == 0 || now_us - c->edge_us < STALL_US || (int32_t)(now_us - c->edge_us) < 0)
		return;
	uint32_t index_us = c->index_us;
	crank_start(c);
	c->index_us = index_us;
	c->note = CRANK_STANDS;
}

uint16_t crank_at(const struct crank *c, uint32_t t_us)
{
	int32_t since = (int32_t)(t_us - c->edge_us);
	if (since < -65535 || since > 65535)
		return c->angle;
	int32_t moved = since < 0 ? -(int32_t)(((uint32_t)-since * c->speed) >> 14)
	                          : (int32_t)(((uint32_t)since * c->speed) >> 14);
	return (uint16_t)((int32_t)c->angle + moved);
}

uint32_t crank_time(const struct crank *c, uint16_t ahead)
{
	uint32_t turn_us = c->turn_us;
	uint8_t shift = 16;
	while (turn_us > 0xffff) {
		turn_us >>= 1;
		shift--;
	}
	return (turn_us * ahead) >> shift;
}
