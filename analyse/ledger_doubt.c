/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/ledger_doubt.h"

#include <math.h>

/* The case with one cause off by its standard deviation. */
static struct ledger_case moved(const struct ledger_case *c, const struct ledger_sds *sd, int cause)
{
	struct ledger_case m = *c;
	switch (cause) {
	case EVENT_ADMISSION:
		m.admission_rad += sd->event_rad[EVENT_ADMISSION];
		m.next_admission_rad += sd->event_rad[EVENT_ADMISSION];
		break;
	case EVENT_CUT_OFF:
		m.cut_off_rad += sd->event_rad[EVENT_CUT_OFF];
		break;
	case EVENT_RELEASE:
		m.release_rad += sd->event_rad[EVENT_RELEASE];
		break;
	case EVENT_COMPRESSION:
		m.compression_rad += sd->event_rad[EVENT_COMPRESSION];
		break;
	case DOUBT_SUPPLY:
		m.supply_pa += sd->supply_pa;
		break;
	case DOUBT_BLOWN_DOWN:
		m.blown_down_pa += sd->noise_pa;
		break;
	case DOUBT_ANGLE: /* events and pressures keep together; what was meant stays where it is */
		m.intended_cut_off_rad -= sd->angle_rad;
		m.turn_back_rad -= sd->angle_rad;
		break;
	default:
		break;
	}
	m.cut_off_rad = fmax(m.cut_off_rad, m.admission_rad);
	return m;
}

static void shift_pressure(struct stroke_nodes *s, double by_pa)
{
	for (size_t k = 0; k < s->n; k++)
		s->node[k].p_pa += by_pa;
}

static void shift_volume(const struct ledger_stroke *s, double by_rad)
{
	for (size_t k = 0; k < s->nodes->n; k++)
		s->nodes->node[k].v_m3 = mech_volume_m3(
		    s->source->mech, s->source->end, s->dead_centre_rad + s->nodes->node[k].phi_rad + by_rad);
}

int ledger_doubts(const struct ledger_stroke *stroke, const struct ledger_case *c,
                  const struct ledger_sds *sd, struct ledger_change change[LEDGER_DOUBTS])
{
	struct ledger_case m[LEDGER_DOUBTS], still = *c;
	double before[LEDGER_LINES];
	for (int i = 0; i < LEDGER_DOUBTS; i++) {
		m[i] = moved(c, sd, i);
		if (ledger_stroke_nodes(stroke, &m[i]) != 0)
			return -1;
	}
	ledger_stroke_lines(stroke, &still, 0, before);
	for (int i = 0; i < LEDGER_DOUBTS; i++) {
		double pressure = i == DOUBT_CHAMBER ? sd->chamber_pa : 0;
		double volume = i == DOUBT_ANGLE ? sd->angle_rad : 0; /* the last: not put back */
		shift_pressure(stroke->nodes, pressure);
		if (volume > 0)
			shift_volume(stroke, volume);
		ledger_stroke_lines(stroke, &m[i], volume, change[i].line_j);
		shift_pressure(stroke->nodes, -pressure);
		for (int l = 0; l < LEDGER_LINES; l++)
			change[i].line_j[l] -= before[l];
		change[i].ideal_j = ledger_ideal_work_j(&m[i]) - ledger_ideal_work_j(c);
	}
	return 0;
}
