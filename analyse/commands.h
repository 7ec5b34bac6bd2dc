/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The subcommands; argv[0] is the command's name.  Each returns an exit code. */
#ifndef TRAMMEL_COMMANDS_H
#define TRAMMEL_COMMANDS_H

int cmd_report(int argc, char **argv);
int cmd_runs(int argc, char **argv);
int cmd_compare(int argc, char **argv);
int cmd_export(int argc, char **argv);
int cmd_verify(int argc, char **argv);
int cmd_engine(int argc, char **argv);
int cmd_plan(int argc, char **argv);
int cmd_rehearse(int argc, char **argv);
int cmd_standing(int argc, char **argv);
int cmd_centre(int argc, char **argv);

#endif
