/* SPDX-License-Identifier: GPL-3.0-or-later */
/* trammel verify: whether segment files are whole; salvage what is. */
#include "analyse/cli.h"
#include "analyse/commands.h"
#include "analyse/escape.h"
#include "analyse/salvage.h"
#include "analyse/verify.h"

#include <errno.h>
#include <getopt.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <sysexits.h>

static int help(void)
{
	puts("usage: trammel verify FILE|DIR... [--salvage OUT]\n\n"
	     "Reads segment files (*.tram) to the end and says for each whether it is whole,\n"
	     "which bytes are damaged, how many records are lost and over what time; and\n"
	     "which segments of a session are missing.\n\n"
	     "  --salvage OUT  writes what can be read as new, whole files: OUT is a new file\n"
	     "                 for one input, else a directory (made if need be). Nothing is\n"
	     "                 overwritten; the inputs are not touched.\n\n"
	     "exit code: 0 all whole, 3 something lost, 1 a file could not be read or salvaged,\n"
	     "64 wrong use\n\n"
	     "example: trammel verify rides --salvage rides-saved");
	return EX_OK;
}

static bool is_directory(const char *path)
{
	struct stat st;
	return stat(path, &st) == 0 && S_ISDIR(st.st_mode);
}

static const char *base_name(const char *path)
{
	const char *slash = strrchr(path, '/');
	return slash == NULL ? path : slash + 1;
}

static int salvage_one(const char *path, const char *out)
{
	struct fault f;
	char name[1024];
	if (salvage(path, out, &f) != 0) {
		cli_fault("verify", &f);
		return VERIFY_FAILED;
	}
	printf("salvaged into %s\n", escape_plain(name, sizeof name, out));
	return VERIFY_WHOLE;
}

static int salvage_into(const char *path, const char *directory)
{
	char *out = NULL;
	struct fault f;
	if (asprintf(&out, "%s/%s", directory, base_name(path)) < 0) {
		fault_set(&f, EX_OSERR, "out of memory");
		cli_fault("verify", &f);
		return VERIFY_FAILED;
	}
	int code = salvage_one(path, out);
	free(out);
	return code;
}

static int salvage_all(const struct verify_list *l, const char *out)
{
	int code = VERIFY_WHOLE;
	for (size_t i = 0; i < l->n; i++)
		if (l->file[i].verdict != VERIFY_FAILED && salvage_into(l->file[i].path, out) != VERIFY_WHOLE)
			code = VERIFY_FAILED;
	return code;
}

/* One input file: OUT is the file, unless it is a directory already. */
static int do_salvage(const struct verify_list *l, bool one_file, const char *out)
{
	struct fault f;
	if (one_file && !is_directory(out))
		return l->file[0].verdict == VERIFY_FAILED ? VERIFY_FAILED
		                                           : salvage_one(l->file[0].path, out);
	if (!is_directory(out) && mkdir(out, 0777) != 0) {
		fault_set(&f, EX_CANTCREAT, "%s: cannot be made a directory: %s", out, strerror(errno));
		cli_fault("verify", &f);
		return VERIFY_FAILED;
	}
	return salvage_all(l, out);
}

/* Failed outranks lossy outranks whole. */
static int worse(int a, int b)
{
	if (a == VERIFY_FAILED || b == VERIFY_FAILED)
		return VERIFY_FAILED;
	return a > b ? a : b;
}

static int verify_all(struct verify_list *l)
{
	int code = VERIFY_WHOLE;
	for (size_t i = 0; i < l->n; i++) {
		verify_read(&l->file[i], stdout);
		code = worse(code, (int)l->file[i].verdict);
	}
	return verify_chain(l, stdout) > 0 ? worse(code, VERIFY_LOSSY) : code;
}

static int run(int n, char **path, const char *out)
{
	struct verify_list l = {0};
	struct fault f;
	int code = VERIFY_WHOLE;
	for (int i = 0; i < n; i++)
		if (verify_add(&l, path[i], &f) != 0) {
			cli_fault("verify", &f);
			code = VERIFY_FAILED;
		}
	code = worse(code, verify_all(&l));
	if (out != NULL && l.n > 0)
		code = worse(code, do_salvage(&l, n == 1 && !is_directory(path[0]), out));
	verify_free(&l);
	return cli_finish("verify") == EX_OK ? code : VERIFY_FAILED;
}

int cmd_verify(int argc, char **argv)
{
	static const struct option options[] = {
	    {"salvage", required_argument, NULL, 's'}, {"help", no_argument, NULL, 'h'}, {NULL, 0, NULL, 0}};
	const char *out = NULL;
	opterr = 0;
	optind = 1;
	for (int c; (c = getopt_long(argc, argv, "h", options, NULL)) != -1;) {
		if (c == 'h')
			return help();
		if (c != 's')
			return cli_usage("verify", "unknown option, or one without its value: %s",
			                 argv[optind - 1]);
		out = optarg;
	}
	if (optind == argc)
		return cli_usage("verify", "name segment files or directories of them");
	return run(argc - optind, argv + optind, out);
}
