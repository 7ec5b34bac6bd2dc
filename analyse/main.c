/* SPDX-License-Identifier: GPL-3.0-or-later */
/* trammel: dispatches to its subcommands. */
#include "analyse/commands.h"

#include <stdio.h>
#include <string.h>
#include <sysexits.h>

struct command {
	const char *name;
	int (*run)(int argc, char **argv);
	const char *what;
};

static const struct command commands[] = {
    {"report", cmd_report, "the timing-error report of a ride"},
    {"runs", cmd_runs, "what rides a log holds"},
    {"compare", cmd_compare, "two rides side by side: did the change help?"},
    {"export", cmd_export, "the numbers behind the report as CSV tables"},
    {"verify", cmd_verify, "whether segment files are whole; salvage what is"},
    {"plan", cmd_plan, "the next timing: cut-off, leads, and what they would gain"},
    {"standing", cmd_standing, "how fast the valves are, tested at rest"},
    {"centre", cmd_centre, "the index angle, from the engine's own dead centres"},
    {"engine", cmd_engine, "what an engine file means"},
    {"rehearse", cmd_rehearse, "a simulated ride of an engine, with its truth"},
};
#define COMMANDS (sizeof commands / sizeof *commands)

static int help(FILE *out, int code)
{
	fputs("trammel: reads the log of a ride and says where the crank was, when each valve\n"
	      "really opened and shut, and where the work went.\n\n"
	      "usage: trammel COMMAND ...\n\n",
	      out);
	for (size_t i = 0; i < COMMANDS; i++)
		fprintf(out, "  %-9s %s\n", commands[i].name, commands[i].what);
	fputs("\ntrammel COMMAND --help says more about each.\n"
	      "The recorder is a program of its own: trammeld --help.\n\n"
	      "Compressed air, pressure vessels, moving cranks and roads hurt people. Trammel is\n"
	      "a measuring instrument, never a safety device.\n",
	      out);
	return code;
}

int main(int argc, char **argv)
{
	if (argc < 2)
		return help(stderr, EX_USAGE);
	if (strcmp(argv[1], "--help") == 0 || strcmp(argv[1], "-h") == 0 || strcmp(argv[1], "help") == 0)
		return help(stdout, EX_OK);
	for (size_t i = 0; i < COMMANDS; i++)
		if (strcmp(argv[1], commands[i].name) == 0)
			return commands[i].run(argc - 1, argv + 1);
	fprintf(stderr, "trammel: there is no command \"%.40s\"; trammel --help lists them\n", argv[1]);
	return EX_USAGE;
}
