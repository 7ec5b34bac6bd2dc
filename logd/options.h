/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The command line. */
#ifndef TRAMMEL_OPTIONS_H
#define TRAMMEL_OPTIONS_H

#include "common/fault.h"
#include "common/link.h"

#include <stdint.h>

enum options_do { DO_RECORD, DO_STATUS, DO_STATUS_JSON, DO_HELP, DO_VERSION };

struct options {
	enum options_do what;
	const char *port, *engine, *into;
	const char *socket; /* NULL = <into>/status.sock */
	int baud;
	enum link_kind link;
	int64_t sync_us;
	int64_t segment_bytes;
	int64_t segment_age_us;
	int64_t keep_bytes;
	int64_t keep_free_bytes;
	double keep_free_fraction;
	bool wait, reset_board, quiet;
};

/* Reads argv, which must outlive the result.  0, or -1 with `fault` (EX_USAGE). */
int options_read(int argc, char **argv, struct options *o, struct fault *fault);

/* Text of --help. */
extern const char options_help[];

#endif
