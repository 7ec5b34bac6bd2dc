/* SPDX-License-Identifier: GPL-3.0-or-later */
/* tool_confined NUMBERS COMMAND [ARG ...]: runs a command that may make only the system calls whose
 * numbers the file NUMBERS lists, one a line, and may not make memory executable.  Any other
 * call kills it (SIGSYS), where the service would see an error: a test must not miss it.  amd64 only. */
#include <linux/audit.h>
#include <linux/filter.h>
#include <linux/prctl.h>
#include <linux/seccomp.h>
#include <stddef.h>
#include <stdio.h>
#include <sys/prctl.h>
#include <sysexits.h>
#include <unistd.h>

#define CALLS_MAX 800
#define LENGTH_MAX (4 + 2 * CALLS_MAX + 1)

#ifndef PR_SET_MDWE
#define PR_SET_MDWE 65
#define PR_MDWE_REFUSE_EXEC_GAIN 1
#endif

static struct sock_filter filter[LENGTH_MAX];
static unsigned short length;

static void add(unsigned code, unsigned k, unsigned yes, unsigned no)
{
	filter[length++] =
	    (struct sock_filter){(unsigned short)code, (unsigned char)yes, (unsigned char)no, k};
}

static int read_calls(const char *path)
{
	unsigned call, n = 0;
	FILE *f = fopen(path, "r");
	if (f == NULL)
		return -1;
	add(BPF_LD | BPF_W | BPF_ABS, offsetof(struct seccomp_data, arch), 0, 0);
	add(BPF_JMP | BPF_JEQ | BPF_K, AUDIT_ARCH_X86_64, 1, 0);
	add(BPF_RET | BPF_K, SECCOMP_RET_KILL_PROCESS, 0, 0);
	add(BPF_LD | BPF_W | BPF_ABS, offsetof(struct seccomp_data, nr), 0, 0);
	for (; n < CALLS_MAX && fscanf(f, "%u", &call) == 1; n++) {
		add(BPF_JMP | BPF_JEQ | BPF_K, call, 0, 1);
		add(BPF_RET | BPF_K, SECCOMP_RET_ALLOW, 0, 0);
	}
	add(BPF_RET | BPF_K, SECCOMP_RET_KILL_PROCESS, 0, 0);
	fclose(f);
	return n > 0 && n < CALLS_MAX ? 0 : -1;
}

int main(int argc, char **argv)
{
	if (argc < 3) {
		fprintf(stderr, "usage: tool_confined NUMBERS COMMAND [ARG ...]\n");
		return EX_USAGE;
	}
	struct sock_fprog program = {.filter = filter};
	if (read_calls(argv[1]) != 0) {
		fprintf(stderr, "tool_confined: %s: no list of system calls\n", argv[1]);
		return EX_DATAERR;
	}
	program.len = length;
	if (prctl(PR_SET_NO_NEW_PRIVS, 1, 0, 0, 0) != 0 ||
	    prctl(PR_SET_MDWE, PR_MDWE_REFUSE_EXEC_GAIN, 0, 0, 0) != 0 ||
	    prctl(PR_SET_SECCOMP, SECCOMP_MODE_FILTER, &program) != 0) {
		perror("tool_confined");
		return EX_OSERR;
	}
	execv(argv[2], argv + 2);
	perror(argv[2]);
	return EX_UNAVAILABLE;
}
