/* SPDX-License-Identifier: GPL-3.0-or-later */
/* measure ELF: what the controller costs and how exact it is, in the emulator,
 * at the speed of an engine and at the load it must bear. */
#include "tests/avr/bench.h"

#include <math.h>
#include <stdlib.h>
#include <sysexits.h>

#define SETTLE_S 1.0
#define MEASURE_S 5.0

struct spread {
	double least, most;
	uint64_t n;
};

static void add(struct spread *s, double x)
{
	s->least = s->n == 0 ? x : fmin(s->least, x);
	s->most = s->n == 0 ? x : fmax(s->most, x);
	s->n++;
}

/* Error of the time stamps of one kind, us; all of them must have come through. */
static struct spread stamps(const struct bench *b, unsigned kind, const uint64_t *at, uint64_t n)
{
	struct spread s = {0};
	for (size_t i = 0, k = 0; i < b->heard.n && k < n; i++)
		if (b->heard.record[i].kind == kind)
			add(&s, b->heard.record[i].t_us - bench_us(b, at[k++]));
	return s;
}

static void print_spread(const char *what, struct spread s)
{
	printf("  %-36s %+.2f to %+.2f us, n = %llu\n", what, s.least, s.most, (unsigned long long)s.n);
}

static void print_isr(const struct bench *b, const char *what, enum board_vector v)
{
	const struct board_isr *i = board_isr(b->board, v);
	if (i->count == 0)
		return;
	printf("  %-36s %.0f cycles mean, %llu most; latest start %llu cycles after its flag\n", what,
	       (double)i->cycles_sum / (double)i->count, (unsigned long long)i->cycles_max,
	       (unsigned long long)i->wait_max);
}

static int measure(const char *elf, double edges_per_s)
{
	struct fault f;
	struct bench *b = bench_new(elf, edges_per_s, &f);
	if (b == NULL) {
		fprintf(stderr, "measure: %s\n", f.text);
		return f.exit_code;
	}
	bench_turn(b, SETTLE_S);
	uint64_t asleep = board_asleep(b->board), from = board_cycle(b->board), bytes = b->heard.bytes;
	board_isr_clear(b->board);
	bench_turn(b, MEASURE_S);
	double cycles = (double)(board_cycle(b->board) - from);
	printf("%.0f edges/s (%.0f rpm with %d teeth), 4 channels at 1 kHz:\n", edges_per_s,
	       edges_per_s * 30 / BENCH_TEETH, BENCH_TEETH);
	printf("  processor busy                       %.1f %%\n",
	       100 - 100 * (double)(board_asleep(b->board) - asleep) / cycles);
	printf("  serial line                          %.0f bytes/s\n",
	       (double)(b->heard.bytes - bytes) / cycles * BOARD_HZ);
	printf("  records lost                         %llu\n", (unsigned long long)b->heard.lost);
	print_isr(b, "tooth interrupt", BOARD_CAPT);
	print_isr(b, "index interrupt", BOARD_INT0);
	print_isr(b, "valve interrupt", BOARD_COMPA);
	print_isr(b, "converter interrupt", BOARD_ADC);
	print_isr(b, "port interrupt", BOARD_UDRE);
	if (b->heard.lost == 0) {
		print_spread("tooth stamp less true time", stamps(b, RECORD_TOOTH, b->edge_at, b->edges));
		print_spread("index stamp less true time",
		             stamps(b, RECORD_INDEX, b->index_at, b->index_changes));
		print_spread("valve stamp less true time", stamps(b, RECORD_VALVE, b->coil_at, b->coils));
	}
	printf("  deepest stack                        %u bytes\n", board_stack_most(b->board));
	bench_free(b);
	return EX_OK;
}

int main(int argc, char **argv)
{
	if (argc < 3) {
		fprintf(stderr, "usage: measure ELF EDGES_PER_S ...\n");
		return EX_USAGE;
	}
	int result = EX_OK;
	for (int i = 2; i < argc && result == EX_OK; i++)
		result = measure(argv[1], atof(argv[i]));
	return result;
}
