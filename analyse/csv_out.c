/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/csv_out.h"

#include <errno.h>
#include <fcntl.h>
#include <math.h>
#include <stdbool.h>
#include <stdio.h>
#include <string.h>
#include <sysexits.h>
#include <unistd.h>

#define FIELD_MAX 64

static void flush(struct csv_out *c)
{
	for (size_t done = 0; done < c->n && c->error == 0;) {
		ssize_t wrote = write(c->fd, c->buffer + done, c->n - done);
		if (wrote >= 0)
			done += (size_t)wrote;
		else if (errno != EINTR)
			c->error = errno;
	}
	c->n = 0;
}

static void add(struct csv_out *c, const char *bytes, size_t n)
{
	if (c->n + n > sizeof c->buffer)
		flush(c);
	memcpy(c->buffer + c->n, bytes, n);
	c->n += n;
}

static void start_field(struct csv_out *c)
{
	if (c->line_started)
		add(c, ",", 1);
	c->line_started = 1;
}

int csv_out_open(struct csv_out *c, const char *dir, const char *name, const char *heading,
                 struct fault *fault)
{
	c->n = 0;
	c->error = 0;
	c->line_started = 0;
	c->fd = -1;
	if ((size_t)snprintf(c->path, sizeof c->path, "%s/%s", dir, name) >= sizeof c->path)
		return fault_set(fault, EX_USAGE, "%s: the name of the directory is too long", dir);
	c->fd = open(c->path, O_WRONLY | O_CREAT | O_TRUNC | O_CLOEXEC, 0666);
	if (c->fd < 0)
		return fault_set(fault, EX_CANTCREAT, "%s: cannot create it: %s", c->path, strerror(errno));
	csv_out_text(c, heading);
	csv_out_end_line(c);
	return 0;
}

/* Decimal digits of `value`, written backwards from `end`; returns their start. */
static char *digits(char *end, uint64_t value)
{
	do
		*--end = (char)('0' + value % 10);
	while ((value /= 10) != 0);
	return end;
}

void csv_out_integer(struct csv_out *c, int64_t value)
{
	char field[FIELD_MAX], *end = field + sizeof field;
	uint64_t size = value < 0 ? 0 - (uint64_t)value : (uint64_t)value;
	char *at = digits(end, size);
	if (value < 0)
		*--at = '-';
	start_field(c);
	add(c, at, (size_t)(end - at));
}

void csv_out_number(struct csv_out *c, double value, unsigned decimals)
{
	static const double SCALE[] = {1, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9};
	char field[FIELD_MAX], *end = field + sizeof field, *at = end;
	start_field(c);
	if (!isfinite(value) || fabs(value) * SCALE[decimals] > 9e18)
		return;
	uint64_t scaled = (uint64_t)(fabs(value) * SCALE[decimals] + 0.5);
	uint64_t part = (uint64_t)SCALE[decimals];
	if (decimals > 0) {
		char *point = end - decimals;
		at = digits(end, scaled % part);
		while (at > point)
			*--at = '0';
		*--at = '.';
	}
	at = digits(at, scaled / part);
	if (value < 0 && scaled > 0)
		*--at = '-';
	add(c, at, (size_t)(end - at));
}

void csv_out_text(struct csv_out *c, const char *text)
{
	start_field(c);
	add(c, text, strlen(text));
}

void csv_out_end_line(struct csv_out *c)
{
	add(c, "\n", 1);
	c->line_started = 0;
}

int csv_out_close(struct csv_out *c, struct fault *fault)
{
	if (c->fd < 0)
		return 0;
	flush(c);
	if (close(c->fd) != 0 && c->error == 0)
		c->error = errno;
	c->fd = -1;
	if (c->error == 0)
		return 0;
	return fault_set(fault, EX_IOERR, "%s: cannot write it: %s", c->path, strerror(c->error));
}
