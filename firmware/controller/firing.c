/* SPDX-License-Identifier: 0BSD */
#include "firing.h"
#include "clock.h"
#include "timing.h"
#include "valves.h"

#define PITCH (65536ul / TEETH)
/* A change that lies further ahead is left to a later tooth. */
#define HORIZON ((uint16_t)(PITCH + PITCH / 2))
/* The switching angles move with the speed: one that has just been passed must
 * not take back what it did. */
#define GUARD ((uint16_t)(PITCH + PITCH / 2))
/* The timer takes times up to 16 ms ahead. */
#define SOON_US 8000

static uint16_t least(uint16_t a, uint16_t b)
{
	return a < b ? a : b;
}

/* Where to switch off at a start, which needs more air; START_AS_TABLE when
 * this is none, or makes no difference to the valve. */
static uint16_t start_shuts(const struct crank *c, uint8_t valve)
{
	static const uint16_t start[VALVES] = {START_SHUTS};
	return c->speed == 0 || c->turn_us > START_TURN_US ? start[valve] : START_AS_TABLE;
}

static uint16_t shuts_at(const struct crank *c, uint8_t valve)
{
	uint16_t start = start_shuts(c, valve);
	return start != START_AS_TABLE ? start : timing_angle(valve, false);
}

int16_t firing_setting(const struct crank *c, uint8_t valve, bool on)
{
	uint16_t start = on ? START_AS_TABLE : start_shuts(c, valve);
	if (start == START_AS_TABLE)
		return timing_setting(valve, on);
	return (int16_t)(((uint32_t)start * 3600 + 32768) >> 16);
}

/* Should the coil be on at this angle? */
static bool wanted(bool on, uint16_t angle, uint16_t opens, uint16_t shuts)
{
	uint16_t window = (uint16_t)(shuts - opens), past = (uint16_t)(angle - opens);
	uint16_t rest = (uint16_t)(opens - shuts);
	if (on)
		return past < window || past > (uint16_t)-least(GUARD, rest / 2);
	return past < (uint16_t)(window - least(GUARD, window / 2));
}

static void forget(struct firing *f, uint8_t valve)
{
	f->waiting &= (uint8_t) ~(1 << valve);
	valves_forget(valve);
}

/* The next change of a coil that is now as it should be. */
static void look_ahead(struct firing *f, const struct crank *c, uint8_t valve, bool next_on, uint16_t at)
{
	uint16_t ahead = (uint16_t)(at - c->angle);
	uint8_t bit = (uint8_t)(1 << valve);
	if (c->speed == 0 || ahead > HORIZON) {
		forget(f, valve);
		return;
	}
	f->due_us[valve] = c->edge_us + crank_time(c, ahead);
	f->waiting |= bit;
	f->waiting_on = (uint8_t)(next_on ? f->waiting_on | bit : f->waiting_on & ~bit);
}

static void fire(struct firing *f, const struct crank *c, uint8_t valve)
{
	uint16_t opens = timing_angle(valve, true), shuts = shuts_at(c, valve);
	bool on = valves_on(valve);
	if (wanted(on, c->angle, opens, shuts) != on) {
		on = !on;
		valves_plan(valve, on, clock_tick(c->edge_us)); /* past: at once */
	}
	look_ahead(f, c, valve, !on, on ? shuts : opens);
}

void firing_limit(struct firing *f, uint8_t allowed)
{
	if (((f->waiting | valves_active()) & ~allowed) == 0)
		return;
	for (uint8_t v = 0; v < VALVES; v++) {
		if (allowed >> v & 1)
			continue;
		forget(f, v);
		if (valves_on(v))
			valves_switch(v, false);
	}
}

void firing_open(uint8_t valves)
{
	for (uint8_t v = 0; v < VALVES; v++)
		if ((valves >> v & 1) && !valves_on(v))
			valves_switch(v, true);
}

void firing_edge(struct firing *f, const struct crank *c, uint8_t allowed)
{
	timing_speed(c->speed);
	for (uint8_t v = 0; v < VALVES; v++)
		if (allowed >> v & 1)
			fire(f, c, v);
}

void firing_rest(struct firing *f, uint32_t now_us)
{
	if (f->waiting == 0)
		return;
	for (uint8_t v = 0; v < VALVES; v++) {
		uint8_t bit = (uint8_t)(1 << v);
		if (!(f->waiting & bit) || (int32_t)(f->due_us[v] - now_us) > SOON_US)
			continue;
		f->waiting &= (uint8_t)~bit;
		valves_plan(v, (f->waiting_on & bit) != 0, clock_tick(f->due_us[v]));
	}
}
