/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/rehearse/machine.h"

#include "common/unit.h"

#include <math.h>
#include <sysexits.h>

#define SPEED_MOST 1000.0 /* rad/s: nothing here is meant for more */
#define STEP_LEAST_S 2e-6 /* shorter steps would take longer than the ride */

enum { STREAM_SENDER = 20, STREAM_GAUGES = 40 };

static int check(const struct engine *e, const struct settings *s, struct fault *fault)
{
	if (settings_check(s, fault) != 0)
		return -1;
	if (e->tooth_count == 0 || e->tooth_count > WHEEL_TEETH_MAX)
		return fault_set(fault, EX_DATAERR,
		                 "the engine file has no usable toothed wheel: [teeth] count must be 1 to %d",
		                 WHEEL_TEETH_MAX);
	if (isnan(e->index_rad))
		return fault_set(fault, EX_DATAERR,
		                 "the engine file gives no index angle: add it under [teeth]");
	return 0;
}

static double battery_v(const struct machine *m)
{
	return m->s.battery - m->s.battery_sag * coils_on(&m->coils) - m->s.battery_droop * m->plant.t_s / 60;
}

/* What a channel's quantity is now, in the units of engine_sensor_value. */
static double quantity(const struct machine *m, const struct engine_sensor *sensor)
{
	const struct plant *p = &m->plant;
	switch (sensor->role) {
	case SENSOR_SUPPLY:
		return p->now.line.p_pa;
	case SENSOR_TANK:
		return p->now.tank.p_pa;
	case SENSOR_CAP:
		return p->now.chamber[END_CAP].p_pa;
	case SENSOR_ROD:
		return p->now.chamber[END_ROD].p_pa;
	case SENSOR_BATTERY:
		return battery_v(m);
	case SENSOR_COIL:
		return m->coils.coil[sensor->valve].armature.current_a;
	case SENSOR_THROTTLE:
		return p->t_s >= m->s.shut_at ? 0 : 1;
	case SENSOR_NONE:
	case SENSOR_ROLE_END:
		break;
	}
	return 0;
}

static int make_plant(struct machine *m, struct fault *fault)
{
	m->plant = plant_make(&m->engine, &m->s);
	m->plant.step_s = fmin(m->plant.step_s, plant_step_limit(&m->plant));
	if (m->plant.step_s < STEP_LEAST_S)
		return fault_set(
		    fault, EX_USAGE,
		    "these settings ask for steps of %.2g us; raise inertia, clearance or line_volume, or "
		    "lower friction, hold or a conductance",
		    m->plant.step_s * 1e6);
	m->start_theta_rad = m->plant.y[THETA];
	return 0;
}

static void make_gauges(struct machine *m)
{
	unsigned order = 0;
	for (unsigned i = 0; i < ENGINE_SENSORS_MAX; i++) {
		struct gauge *g = &m->gauge[i];
		*g = gauge_make(&m->engine, &m->s, i, order, prng_make(m->s.seed, STREAM_GAUGES + i));
		if (g->rate_hz == 0)
			continue;
		order++;
		gauge_settle(g, quantity(m, &g->sensor));
	}
}

int machine_open(struct machine *m, const struct engine *e, const struct settings *s, const char *truth_dir,
                 const struct rehearse_sink *sink, struct fault *fault)
{
	if (check(e, s, fault) != 0)
		return -1;
	m->engine = *e;
	m->s = *s;
	m->truth = truth_open(truth_dir, fault);
	if (m->truth == NULL || make_plant(m, fault) != 0)
		return -1;
	m->index_true_deg = unit_deg(e->index_rad) + s->index_shift;
	coils_make(&m->coils, e, s);
	pickup_make(&m->pickup, e, s, m->index_true_deg, s->start_angle, &m->queue);
	make_gauges(m);
	m->sender = sender_make(s, sink, prng_make(s->seed, STREAM_SENDER));
	return 0;
}

void machine_close(struct machine *m)
{
	truth_free(m->truth);
}

bool machine_step(struct machine *m)
{
	struct plant *p = &m->plant;
	struct plant_areas areas;
	p->t_s = (double)m->steps * p->step_s; /* no drift from adding up */
	coils_areas(&m->coils, p->t_s, p->step_s, &areas);
	plant_step(p, &areas);
	m->steps++;
	m->ran_away = !isfinite(p->y[THETA] + p->now.chamber[END_CAP].p_pa + p->now.chamber[END_ROD].p_pa) ||
	              fabs(p->y[OMEGA]) > SPEED_MOST;
	if (m->ran_away)
		return false;
	coils_step(&m->coils, p, &m->sender, &m->loops, m->truth);
	loops_step(&m->loops, p, &m->sender, m->truth);
	for (int i = 0; i < ENGINE_SENSORS_MAX; i++)
		if (m->gauge[i].rate_hz > 0)
			gauge_step(&m->gauge[i], quantity(m, &m->gauge[i].sensor), p->step_s);
	pickup_step(&m->pickup, p, &m->sender, &m->queue, m->truth);
	return true;
}

void machine_command(struct machine *m, double t_s, unsigned valve, bool on)
{
	double supply_bar = unit_bar_gauge(m->plant.now.line.p_pa, m->plant.ambient_pa);
	double volts = battery_v(m) - m->s.battery;
	double extra_ms = m->s.delay_per_bar[valve] * supply_bar + m->s.delay_per_volt[valve] * volts;
	m->truth->commands++;
	coils_command(&m->coils, valve, t_s, sender_us(&m->sender, t_s), on, extra_ms, m->truth);
}

int64_t machine_sample(struct machine *m, double t_s, unsigned channel)
{
	struct gauge *g = &m->gauge[channel];
	double u = 1 - (m->plant.t_s - t_s) / m->plant.step_s;
	m->truth->samples++;
	return g->rate_hz == 0 ? 0 : gauge_read(g, fmin(fmax(u, 0), 1));
}

void machine_disturb(struct machine *m, const struct happening *h)
{
	if (h->kind == HAPPENS_NOISE)
		pickup_noise(&m->pickup, h->t_s, &m->queue, m->truth);
	else if (h->kind == HAPPENS_BURST)
		pickup_burst(&m->pickup, h->t_s, h->number == 0, &m->queue, m->truth);
	else if (h->kind == HAPPENS_FALSE_INDEX)
		pickup_false_index(&m->pickup, h->t_s, &m->queue, m->truth);
}

int machine_end(struct machine *m, struct fault *fault)
{
	const struct plant *p = &m->plant;
	if (m->ran_away)
		return fault_set(fault, EX_USAGE,
		                 "with these settings the engine runs away at %.3f s; load or brake it",
		                 p->t_s);
	coils_end(&m->coils, m->truth);
	m->truth->duration_s = p->t_s;
	m->truth->crank_turns = (p->y[THETA] - m->start_theta_rad) / (2 * UNIT_PI);
	m->truth->vented_g = p->y[VENT] * 1e3;
	if (m->queue.dropped > 0)
		return fault_set(fault, EX_SOFTWARE,
		                 "%zu events did not fit into the rehearsal's queue; lower burst_hz or the "
		                 "index's bounces",
		                 m->queue.dropped);
	return 0;
}

struct truth_facts machine_facts(const struct machine *m)
{
	return (struct truth_facts){
	    .engine = &m->engine,
	    .settings = &m->s,
	    .index_true_deg = m->index_true_deg,
	    .pitch_error_deg = m->pickup.wheel.error_deg,
	    .teeth = m->pickup.wheel.teeth,
	    .start_us = m->sender.start_us,
	    .reset_us = NAN,
	};
}
