/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The plan's tables as CSV. */
#include "analyse/csv_out.h"
#include "analyse/plan_parts.h"
#include "common/air.h"
#include "common/unit.h"

#include <errno.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <sysexits.h>

#define SPEEDS 12

static void write_cut_off(const struct plan *p, struct csv_out *c)
{
	for (size_t i = 0; i < p->row_n; i++) {
		const struct plan_row *r = &p->row[i];
		csv_out_number(c, plan_gauge_bar(p, r->supply_pa), 3);
		for (int end = 0; end < END_COUNT; end++) {
			csv_out_number(c, r->ideal_part[end], 4);
			csv_out_number(c, r->cut_off_part[end], 4);
			csv_out_number(c, unit_deg(r->cut_off_rad[end]), 2);
		}
		csv_out_number(c, r->p.net_torque_nm, 2);
		csv_out_number(c, air_normal_litre(r->p.air_kg), 3);
		csv_out_number(c, r->p.useful_fraction, 4);
		csv_out_number(c, unit_rpm(r->fastest_rad_s), 0);
		csv_out_integer(c, r->holds);
		csv_out_end_line(c);
	}
}

static double turned_deg(double rad)
{
	double d = fmod(unit_deg(rad), 360);
	return d < 0 ? d + 360 : d;
}

static void write_lead(const struct plan *p, struct csv_out *c)
{
	double top = unit_rpm(p->machine->engine.limit_speed_rad_s);
	if (!isfinite(top))
		top = 2 * unit_rpm(p->at.omega_rad_s);
	for (int v = 0; v < ENGINE_VALVES_MAX; v++)
		for (int i = 0; i < 2 * SPEEDS; i++) {
			int on = i < SPEEDS;
			const struct plan_setting *s = &p->setting[v][on];
			double rpm = top * (i % SPEEDS + 1) / SPEEDS, omega = rpm * UNIT_PI / 30;
			if (!p->has_setting[v][on])
				continue;
			csv_out_integer(c, v);
			csv_out_text(c, on ? "opens" : "shuts");
			csv_out_number(c, unit_deg(s->setting_rad), 2);
			double lead = plan_lead_at_s(p, v, on, omega);
			csv_out_number(c, lead * 1e3, 2);
			csv_out_number(c, rpm, 1);
			csv_out_number(c, turned_deg(s->setting_rad - lead * omega), 2);
			csv_out_end_line(c);
		}
}

static void write_tradeoff(const struct plan *p, struct csv_out *c)
{
	for (size_t i = 0; i < p->curve.n; i++) {
		const struct plan_point *q = &p->curve.point[i];
		csv_out_number(c, q->net_torque_nm, 3);
		csv_out_number(c, q->economy_j_kg / air_normal_litre(1), 3);
		csv_out_number(c, air_normal_litre(q->air_kg), 3);
		csv_out_number(c, q->useful_fraction, 4);
		csv_out_number(c, unit_deg(q->cut_off_rad[END_CAP]), 2);
		csv_out_number(c, unit_deg(q->cut_off_rad[END_ROD]), 2);
		csv_out_integer(c, p->curve.n > 2 && i == p->curve.knee);
		csv_out_end_line(c);
	}
}

static void write_drive(const struct plan *p, struct csv_out *c)
{
	for (size_t i = 0; i < p->gear_n * PLAN_ROADS; i++) {
		const struct plan_gear *g = &p->gear[i / PLAN_ROADS];
		size_t road = i % PLAN_ROADS;
		csv_out_integer(c, g->crank_teeth);
		csv_out_integer(c, g->wheel_teeth);
		csv_out_text(c, drive_roads[road].name);
		csv_out_number(c, drive_roads[road].rolling, 3);
		csv_out_number(c, g->speed_m_s, 3);
		csv_out_number(c, g->force_n, 1);
		csv_out_number(c, g->resistance_n[road], 1);
		csv_out_integer(c, g->pulls[road]);
		csv_out_integer(c, g->starts_best[road]);
		csv_out_integer(c, g->starts_worst[road]);
		csv_out_number(c, 360 * g->starts_part[road], 0);
		csv_out_end_line(c);
	}
}

struct table {
	const char *name, *heading;
	void (*write)(const struct plan *p, struct csv_out *c);
};

static const struct table tables[] = {
    {"plan_cutoff.csv",
     "supply_bar_gauge,cap_full_expansion_fraction,cap_cut_off_fraction,cap_cut_off_deg,"
     "rod_full_expansion_fraction,rod_cut_off_fraction,rod_cut_off_deg,net_torque_Nm,air_normal_litre,"
     "useful_fraction,fastest_rpm,holds",
     write_cut_off},
    {"plan_lead.csv", "valve,edge,setting_deg,lead_ms,rpm,switches_deg", write_lead},
    {"plan_tradeoff.csv",
     "net_torque_Nm,work_J_per_normal_litre,air_normal_litre,useful_fraction,cap_cut_off_deg,"
     "rod_cut_off_deg,knee",
     write_tradeoff},
    {"plan_drive.csv",
     "crank_teeth,wheel_teeth,road,rolling,speed_m_s,force_N,resistance_N,pulls,moves_from_rest_at_best,"
     "moves_from_rest_at_worst,moves_from_rest_over_deg",
     write_drive},
};

int plan_csv(const struct plan *p, const char *dir, struct fault *fault)
{
	struct csv_out *c = malloc(sizeof *c);
	int status = c == NULL ? fault_set(fault, EX_OSERR, "out of memory") : 0;
	if (status == 0 && mkdir(dir, 0777) != 0 && errno != EEXIST)
		status = fault_set(fault, EX_CANTCREAT, "%s: cannot create it: %s", dir, strerror(errno));
	for (size_t i = 0; status == 0 && i < sizeof tables / sizeof *tables; i++) {
		status = csv_out_open(c, dir, tables[i].name, tables[i].heading, fault);
		if (status != 0)
			break;
		tables[i].write(p, c);
		status = csv_out_close(c, fault);
	}
	free(c);
	return status;
}
