/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A fault: what a function tells its caller about bad input or a broken
 * environment.  Libraries fill it and return; only `main` decides to exit.
 * The text names the thing (file, line, byte), what is wrong and what to do;
 * the program's name is put in front by whoever prints it. */
#ifndef TRAMMEL_FAULT_H
#define TRAMMEL_FAULT_H

struct fault {
	int exit_code; /* as in sysexits.h; 0 = no fault */
	char text[800];
};

/* Fills `f` (exit code and printf-style text, control characters made
 * harmless) and returns -1, so that callers can write
 * `return fault_set(f, EX_DATAERR, ...)`.  `f` may be NULL. */
int fault_set(struct fault *f, int exit_code, const char *format, ...) __attribute__((format(printf, 3, 4)));

#endif
