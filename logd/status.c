/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "logd/status.h"

#include "common/record.h"
#include "common/unit.h"
#include "logd/clock.h"
#include "logd/source.h"

#include <stdarg.h>
#include <stdio.h>
#include <string.h>
#include <unistd.h>

void status_init(struct status *s)
{
	memset(s, 0, sizeof *s);
	status_set(&s->speed_mrpm, STATUS_NONE);
	status_set(&s->bytes_free, -1);
	for (unsigned i = 0; i < ENGINE_SENSORS_MAX; i++)
		status_set(&s->sensor_milli[i], STATUS_NONE);
}

/* A bounded text that grows; what does not fit is left out. */
struct text {
	char *at;
	size_t size, used;
};

static void put(struct text *t, const char *format, ...) __attribute__((format(printf, 2, 3)));
static void put(struct text *t, const char *format, ...)
{
	va_list args;
	va_start(args, format);
	int n = vsnprintf(t->at + t->used, t->size - t->used, format, args);
	va_end(args);
	if (n > 0 && (size_t)n < t->size - t->used)
		t->used += (size_t)n;
}

static void put_string(struct text *t, const char *key, const char *value)
{
	put(t, ",\"%s\":\"", key);
	for (const unsigned char *p = (const unsigned char *)value; *p != '\0'; p++) {
		if (*p == '"' || *p == '\\')
			put(t, "\\%c", *p);
		else if (*p < 0x20)
			put(t, "\\u%04x", *p);
		else
			put(t, "%c", *p);
	}
	put(t, "\"");
}

static void put_int(struct text *t, const char *key, int64_t value)
{
	put(t, ",\"%s\":%lld", key, (long long)value);
}

static void put_bool(struct text *t, const char *key, bool value)
{
	put(t, ",\"%s\":%s", key, value ? "true" : "false");
}

/* Age of a CLOCK_MONOTONIC time, s; null when it never was. */
static void put_age(struct text *t, const char *key, int64_t then_us, int64_t now_us)
{
	if (then_us == 0)
		put(t, ",\"%s\":null", key);
	else
		put(t, ",\"%s\":%.2f", key, (double)(now_us - then_us) / CLOCK_SECOND_US);
}

static const char *role_key(enum engine_sensor_role role)
{
	static const char *const keys[SENSOR_ROLE_END] = {
	    [SENSOR_SUPPLY] = "supply_bar_gauge", [SENSOR_TANK] = "tank_bar_gauge",
	    [SENSOR_CAP] = "cap_bar_gauge",       [SENSOR_ROD] = "rod_bar_gauge",
	    [SENSOR_BATTERY] = "battery_V",       [SENSOR_THROTTLE] = "throttle_fraction",
	};
	return keys[role];
}

static void put_sensor(struct text *t, const struct engine *e, enum engine_sensor_role role,
                       const struct status *s)
{
	int channel = engine_sensor_channel(e, role);
	int64_t milli = channel < 0 ? STATUS_NONE : status_get(&s->sensor_milli[channel]);
	if (milli == STATUS_NONE)
		return;
	double si = (double)milli / 1000;
	bool pressure = role != SENSOR_BATTERY && role != SENSOR_THROTTLE;
	put(t, ",\"%s\":%.3f", role_key(role), pressure ? unit_bar_gauge(si, e->ambient_pa) : si);
}

static void put_link(struct text *t, const struct status *s, int64_t now)
{
	put_bool(t, "link_up", status_get(&s->link_up) != 0);
	put_int(t, "link_came_back", status_get(&s->link_changes));
	put_int(t, "bytes_received", status_get(&s->bytes_received));
	put_int(t, "bytes_dropped", status_get(&s->bytes_dropped));
	put_int(t, "bytes_overrun", status_get(&s->bytes_overrun));
	put_int(t, "bytes_damaged", status_get(&s->damaged_bytes));
	put_int(t, "frames_lost", status_get(&s->frames_lost));
	put_int(t, "sender_resets", status_get(&s->sender_resets));
	put_int(t, "records", status_get(&s->records));
	put_age(t, "data_age_s", status_get(&s->last_record_us), now);
}

static void put_disk(struct text *t, const struct status *s, int64_t now)
{
	put_bool(t, "disk_ok", status_get(&s->disk_ok) != 0);
	put_int(t, "session", status_get(&s->session));
	put_int(t, "segment", status_get(&s->segment));
	put_int(t, "records_synced", status_get(&s->records_synced));
	put_int(t, "records_waiting", status_get(&s->records_waiting));
	put_int(t, "records_not_kept", status_get(&s->records_not_kept));
	put_int(t, "bytes_written", status_get(&s->bytes_written));
	put_int(t, "syncs", status_get(&s->syncs));
	put_age(t, "sync_age_s", status_get(&s->last_sync_us), now);
	put_int(t, "bytes_kept", status_get(&s->bytes_kept));
	put_int(t, "bytes_free", status_get(&s->bytes_free));
	put_int(t, "segments_made", status_get(&s->segments_made));
	put_int(t, "segments_deleted", status_get(&s->segments_deleted));
	put_int(t, "disk_faults", status_get(&s->disk_faults));
}

static void put_engine(struct text *t, const struct status *s, const struct engine *e, int64_t now)
{
	int64_t speed = status_get(&s->speed_mrpm);
	if (speed != STATUS_NONE)
		put(t, ",\"speed_rpm\":%.1f", (double)speed / 1000);
	for (unsigned role = SENSOR_SUPPLY; role < SENSOR_ROLE_END; role++)
		put_sensor(t, e, role, s);
	put_int(t, "alarms_raised", status_get(&s->alarms));
	put_bool(t, "alarm_supply", status_get(&s->alarm_until_us[ALARM_SUPPLY]) > now);
	put_bool(t, "alarm_speed", status_get(&s->alarm_until_us[ALARM_SPEED]) > now);
	put_bool(t, "alarm_teeth_missed", status_get(&s->alarm_until_us[ALARM_TEETH_MISSED]) > now);
}

size_t status_json(const struct status *s, const struct status_about *about, const struct status_rates *rates,
                   char *out, size_t size)
{
	struct text t = {out, size - 2, 0}; /* room for the end */
	int64_t now = clock_mono_us();
	put(&t, "{\"schema\":\"trammeld.status/1\",\"pid\":%d", (int)getpid());
	put_string(&t, "port", about->port);
	put_string(&t, "kind", source_kind_name((enum source_kind)status_get(&s->source_kind)));
	put_string(&t, "link", about->link);
	put_int(&t, "baud", about->baud);
	put_string(&t, "directory", about->directory);
	put_string(&t, "engine", about->engine->name);
	put_age(&t, "uptime_s", about->start_us, now);
	put_link(&t, s, now);
	put(&t, ",\"records_per_s\":%.1f,\"bytes_per_s\":%.1f", rates->records_s, rates->bytes_s);
	put(&t, ",\"buffer_used\":%zu,\"buffer_size\":%zu", rates->ring_used, about->ring_size);
	put_disk(&t, s, now);
	put_engine(&t, s, about->engine, now);
	out[t.used++] = '}';
	out[t.used++] = '\n';
	return t.used;
}
