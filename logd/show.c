/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "logd/show.h"

#include <stdbool.h>
#include <stdlib.h>
#include <string.h>

/* The line is our own: flat, every key once, keys never inside a string
 * (quotes in strings are escaped), so the value follows `"key":`. */
static const char *value_of(const char *json, const char *key)
{
	char pattern[48];
	snprintf(pattern, sizeof pattern, "\"%s\":", key);
	const char *p = strstr(json, pattern);
	return p == NULL ? NULL : p + strlen(pattern);
}

static double number_of(const char *json, const char *key)
{
	const char *p = value_of(json, key);
	return p == NULL ? 0 : strtod(p, NULL);
}

static bool is_true(const char *json, const char *key)
{
	const char *p = value_of(json, key);
	return p != NULL && strncmp(p, "true", 4) == 0;
}

static bool given(const char *json, const char *key)
{
	const char *p = value_of(json, key);
	return p != NULL && strncmp(p, "null", 4) != 0;
}

struct words {
	char text[256];
};

static struct words words_of(const char *json, const char *key)
{
	struct words w = {""};
	const char *p = value_of(json, key);
	size_t n = 0;
	if (p == NULL || *p != '"')
		return w;
	for (p++; *p != '"' && *p != '\0' && n < sizeof w.text - 1; p++) {
		if (*p == '\\' && p[1] != '\0')
			p++;
		w.text[n++] = *p;
	}
	return w;
}

static struct words size_of(double bytes)
{
	static const char *const units[] = {"B", "KiB", "MiB", "GiB", "TiB"};
	struct words w;
	unsigned u = 0;
	for (; bytes >= 1024 && u < 4; u++)
		bytes /= 1024;
	snprintf(w.text, sizeof w.text, u == 0 ? "%.0f %s" : "%.1f %s", bytes, units[u]);
	return w;
}

static struct words duration_of(double s)
{
	struct words w;
	if (s < 120)
		snprintf(w.text, sizeof w.text, "%.1f s", s);
	else if (s < 7200)
		snprintf(w.text, sizeof w.text, "%.1f min", s / 60);
	else
		snprintf(w.text, sizeof w.text, "%.1f h", s / 3600);
	return w;
}

static void show_link(const char *j, FILE *out)
{
	fprintf(out, "link       %s: %s %s", is_true(j, "link_up") ? "up" : "DOWN", words_of(j, "kind").text,
	        words_of(j, "port").text);
	if (strcmp(words_of(j, "kind").text, "port") == 0)
		fprintf(out, " at %.0f baud", number_of(j, "baud"));
	fprintf(out, ", %s; came back %.0f times\n", words_of(j, "link").text,
	        number_of(j, "link_came_back"));
	fprintf(out, "rate       %.0f records/s, %.0f bytes/s", number_of(j, "records_per_s"),
	        number_of(j, "bytes_per_s"));
	if (given(j, "data_age_s"))
		fprintf(out, "; last data %s ago\n", duration_of(number_of(j, "data_age_s")).text);
	else
		fprintf(out, "; no data yet\n");
	fprintf(
	    out,
	    "damage     %.0f bytes not valid, %.0f frames lost, %.0f bytes dropped here, %.0f by the port, "
	    "%.0f sender restarts\n",
	    number_of(j, "bytes_damaged"), number_of(j, "frames_lost"), number_of(j, "bytes_dropped"),
	    number_of(j, "bytes_overrun"), number_of(j, "sender_resets"));
}

static void show_value(const char *j, FILE *out, const char *key, const char *name, const char *unit)
{
	if (given(j, key))
		fprintf(out, "  %s %.2f %s", name, number_of(j, key), unit);
}

static void show_engine(const char *j, FILE *out)
{
	fprintf(out, "engine     %s:", words_of(j, "engine").text);
	show_value(j, out, "speed_rpm", "speed", "rpm");
	show_value(j, out, "supply_bar_gauge", "supply", "bar gauge");
	show_value(j, out, "tank_bar_gauge", "tank", "bar gauge");
	show_value(j, out, "cap_bar_gauge", "cap end", "bar gauge");
	show_value(j, out, "rod_bar_gauge", "rod end", "bar gauge");
	show_value(j, out, "battery_V", "battery", "V");
	show_value(j, out, "throttle_fraction", "throttle", "of 1");
	fprintf(out, "\nalarms     %.0f raised;%s%s%s%s\n", number_of(j, "alarms_raised"),
	        is_true(j, "alarm_supply") ? " SUPPLY PRESSURE" : "",
	        is_true(j, "alarm_speed") ? " SPEED" : "",
	        is_true(j, "alarm_teeth_missed") ? " TEETH MISSED" : "",
	        is_true(j, "alarm_supply") || is_true(j, "alarm_speed") || is_true(j, "alarm_teeth_missed")
	            ? ""
	            : " none now");
}

static void show_disk(const char *j, FILE *out)
{
	fprintf(out, "log        %s: session %.0f, segment %.0f, %s\n", words_of(j, "directory").text,
	        number_of(j, "session"), number_of(j, "segment"),
	        is_true(j, "disk_ok") ? "disk works" : "DISK FAILS (see the messages of trammeld)");
	fprintf(out, "kept       %.0f records are safe, %.0f not yet synced, %.0f were not kept",
	        number_of(j, "records_synced"), number_of(j, "records_waiting"),
	        number_of(j, "records_not_kept"));
	if (given(j, "sync_age_s"))
		fprintf(out, "; last sync %s ago", duration_of(number_of(j, "sync_age_s")).text);
	fprintf(out, "\nspace      %s in segments", size_of(number_of(j, "bytes_kept")).text);
	if (number_of(j, "bytes_free") >= 0)
		fprintf(out, ", %s free", size_of(number_of(j, "bytes_free")).text);
	fprintf(out, "; %.0f segments made, %.0f deleted\n", number_of(j, "segments_made"),
	        number_of(j, "segments_deleted"));
	fprintf(out, "buffer     %s of %s used\n", size_of(number_of(j, "buffer_used")).text,
	        size_of(number_of(j, "buffer_size")).text);
}

void show_status(const char *json, FILE *out)
{
	fprintf(out, "trammeld   process %.0f, running for %s\n", number_of(json, "pid"),
	        duration_of(number_of(json, "uptime_s")).text);
	show_link(json, out);
	show_engine(json, out);
	show_disk(json, out);
}
