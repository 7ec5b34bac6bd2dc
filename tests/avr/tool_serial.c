/* SPDX-License-Identifier: GPL-3.0-or-later */
/* serial ELF SECONDS: runs a program and prints what its serial port says. */
#include "tests/avr/board.h"

#include <stdio.h>
#include <stdlib.h>
#include <sysexits.h>

static void print(void *ctx, uint64_t cycle, uint8_t byte)
{
	(void)ctx;
	(void)cycle;
	putchar(byte);
}

int main(int argc, char **argv)
{
	const struct board_world world = {.byte = print};
	struct fault f;
	if (argc != 3) {
		fprintf(stderr, "usage: serial ELF SECONDS\n");
		return EX_USAGE;
	}
	struct board *b = board_new(argv[1], &world, &f);
	if (b == NULL) {
		fprintf(stderr, "serial: %s\n", f.text);
		return f.exit_code;
	}
	board_run(b, (uint64_t)(atof(argv[2]) * BOARD_HZ));
	board_free(b);
	return EX_OK;
}
