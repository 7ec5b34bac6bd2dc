# SPDX-License-Identifier: GPL-3.0-or-later
# make fuzz: each fuzzer for FUZZ_SECONDS on FUZZ_JOBS jobs, from its seeds.  New inputs stay in
# the build directory; one that breaks something belongs into tests/corpus.

FUZZ_SECONDS ?= 60
FUZZ_JOBS    ?= 1
FUZZERS      := $(patsubst tests/fuzz_%.c,%,$(wildcard tests/fuzz_*.c))
FUZZ_CFLAGS  := -std=c17 -D_GNU_SOURCE -O1 -g -I. -fsanitize=fuzzer,address,undefined -fno-sanitize-recover=undefined
FUZZ_WITH    := tests/link_demands.c $(wildcard common/*.c)

.PHONY: fuzz
fuzz: $(FUZZERS:%=$(BUILD)/fuzz/%)
	@set -e; for f in $(FUZZERS); do \
		mkdir -p $(BUILD)/fuzz/found-$$f; \
		echo "fuzz $$f, $(FUZZ_SECONDS) s"; \
		$(BUILD)/fuzz/$$f -max_total_time=$(FUZZ_SECONDS) -max_len=9000 -fork=$(FUZZ_JOBS) -print_final_stats=1 \
			-artifact_prefix=$(BUILD)/fuzz/broke-$$f- $(BUILD)/fuzz/found-$$f tests/corpus/$$f; \
	done

$(BUILD)/fuzz/%: tests/fuzz_%.c $(FUZZ_WITH) $(wildcard common/*.h tests/*.h)
	@mkdir -p $(@D)
	clang $(FUZZ_CFLAGS) $< $(FUZZ_WITH) -o $@ -lcsv -linih -lm
