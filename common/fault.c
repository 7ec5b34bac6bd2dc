/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "common/fault.h"

#include <stdarg.h>
#include <stdio.h>

/* Names and lines quoted in a message come from files and links: a control
 * character in them must not reach the terminal. */
static void make_printable(char *s)
{
	for (; *s != '\0'; s++)
		if ((unsigned char)*s < 0x20 || *s == 0x7f)
			*s = '?';
}

int fault_set(struct fault *f, int exit_code, const char *format, ...)
{
	if (f == NULL)
		return -1;
	f->exit_code = exit_code;
	va_list args;
	va_start(args, format);
	vsnprintf(f->text, sizeof f->text, format, args);
	va_end(args);
	make_printable(f->text);
	return -1;
}
