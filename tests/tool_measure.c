/* SPDX-License-Identifier: GPL-3.0-or-later */
/* tool_measure RUNS COMMAND [ARG ...]: runs a command with its standard output
 * thrown away and prints "wall_s cpu_s peak_MiB" of the run with the median CPU time.  Used by bench.sh. */
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <sys/resource.h>
#include <sys/wait.h>
#include <sysexits.h>
#include <time.h>
#include <unistd.h>

#define RUNS_MAX 99

struct run {
	double wall_s, cpu_s, peak_mib;
};

static double now_s(void)
{
	struct timespec t;
	clock_gettime(CLOCK_MONOTONIC, &t);
	return (double)t.tv_sec + 1e-9 * (double)t.tv_nsec;
}

static double seconds(struct timeval t)
{
	return (double)t.tv_sec + 1e-6 * (double)t.tv_usec;
}

static void become(char **argv)
{
	int null = open("/dev/null", O_WRONLY | O_CLOEXEC);
	if (null < 0 || dup2(null, STDOUT_FILENO) < 0)
		_exit(EX_OSERR);
	execvp(argv[0], argv);
	perror(argv[0]);
	_exit(EX_UNAVAILABLE);
}

static struct run measure(char **argv)
{
	double start = now_s();
	pid_t child = fork();
	if (child == 0)
		become(argv);
	int status;
	struct rusage u;
	if (child < 0 || wait4(child, &status, 0, &u) < 0 || !WIFEXITED(status) || WEXITSTATUS(status) != 0) {
		fprintf(stderr, "tool_measure: %s did not end well\n", argv[0]);
		exit(EX_SOFTWARE);
	}
	return (struct run){
	    .wall_s = now_s() - start,
	    .cpu_s = seconds(u.ru_utime) + seconds(u.ru_stime),
	    .peak_mib = (double)u.ru_maxrss / 1024,
	};
}

static int by_cpu(const void *a, const void *b)
{
	const struct run *x = a, *y = b;
	return (x->cpu_s > y->cpu_s) - (x->cpu_s < y->cpu_s);
}

int main(int argc, char **argv)
{
	struct run run[RUNS_MAX];
	int runs = argc > 2 ? atoi(argv[1]) : 0;
	if (runs < 1 || runs > RUNS_MAX) {
		fprintf(stderr, "usage: tool_measure RUNS COMMAND [ARG ...]\n");
		return EX_USAGE;
	}
	for (int i = 0; i < runs; i++)
		run[i] = measure(argv + 2);
	qsort(run, (size_t)runs, sizeof *run, by_cpu);
	const struct run *median = &run[runs / 2];
	printf("%.4f %.4f %.1f\n", median->wall_s, median->cpu_s, median->peak_mib);
	return EX_OK;
}
