/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "tests/faults.h"

#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <sys/mman.h>
#include <sys/wait.h>
#include <unistd.h>

static void work(unsigned first, unsigned n, unsigned step, void (*trial)(unsigned, struct logd_result *),
                 struct logd_result *r)
{
	for (unsigned i = first; i < n; i += step) {
		r->trials++;
		trial(i, r);
	}
	_exit(0);
}

void faults_spread(unsigned n, unsigned workers, void (*trial)(unsigned i, struct logd_result *r),
                   struct logd_result *r)
{
	struct logd_result *each =
	    mmap(NULL, workers * sizeof *each, PROT_READ | PROT_WRITE, MAP_SHARED | MAP_ANONYMOUS, -1, 0);
	int status;
	if (each == MAP_FAILED)
		abort();
	fflush(NULL);
	for (unsigned w = 0; w < workers; w++) {
		each[w] = (struct logd_result){.goal = r->goal};
		if (fork() == 0)
			work(w, n, workers, trial, &each[w]);
	}
	while (wait(&status) > 0)
		if (!WIFEXITED(status) || WEXITSTATUS(status) != 0)
			logd_result_fail(r, "a driver process broke (status %d)", status);
	for (unsigned w = 0; w < workers; w++) {
		r->trials += each[w].trials;
		r->failures += each[w].failures;
		logd_result_worst(r, each[w].worst);
	}
	munmap(each, workers * sizeof *each);
}

void faults_input(const char *path, uint32_t records, enum link_kind kind)
{
	uint8_t out[LINK_ENCODE_MAX];
	struct link_encoder *e = link_encoder_new(kind);
	FILE *f = fopen(path, "w");
	if (f == NULL || e == NULL)
		abort();
	for (uint32_t i = 0; i < records; i++) {
		struct record r = logd_rig_record(i);
		fwrite(out, 1, link_encode(e, &r, out), f);
	}
	fwrite(out, 1, link_encode_end(e, out), f);
	if (fclose(f) != 0)
		abort();
	link_encoder_free(e);
}
