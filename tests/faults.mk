# SPDX-License-Identifier: GPL-3.0-or-later
# The long forms of the recorder's and the formats' tests.  Counts follow the goals in tests/faults.h.
#   make faults                   every goal, one line each; about an hour and a half
#   make soak SECONDS=604800      a week at line rate
#   make faults-reverse           do the tests notice when the recorder is broken on purpose?
#   make coverage                 lines and branches of codec and recorder that the tests reach
#   make mutants MUTANTS=0        do the format's tests notice any one slip in the codec? (0 = all)
#   make deps-machines            compilers and emulators of other machines, for make faults

FAULTS  := $(BUILD)/tests/tool_faults
SECONDS ?= 600
MUTANTS ?= 200
FORMAT_TESTS   := $(patsubst %,$(BUILD)/tests/test_%,segment_damage verify)
COVERAGE_TESTS := $(patsubst %,tests/test_%,corpus crc_cobs frames lines link_document logd_parts logd_places logd_store record \
	segment segment_damage segment_io segment_refuse verify logd_calls logd_turns) tests/tool_faults tests/tool_records

.PHONY: faults faults-reverse soak coverage mutants deps-machines
faults: all $(FAULTS) $(FORMAT_TESTS) $(PRELOADS) $(BUILD)/tests/tool_records $(BUILD)/tests/tool_confined
	sh tests/faults.sh $(BUILD)

soak: $(BUILD)/trammeld $(FAULTS) $(PRELOADS)
	$(FAULTS) soak $(SECONDS)

faults-reverse:
	sh tests/faults_reverse.sh

coverage: # a build of its own, with counters; assertions are left out, which no test may fail
	$(MAKE) BUILD=$(BUILD)/cov OPT='-O0 -g -DNDEBUG --coverage -fprofile-update=atomic' LDFLAGS=--coverage coverage-programs
	sh tests/coverage.sh $(BUILD)/cov
coverage-programs: all $(COVERAGE_TESTS:%=$(BUILD)/%) $(PRELOADS)

mutants:
	@mkdir -p $(BUILD)
	sh tests/mutants.sh $(BUILD) $(MUTANTS)

deps-machines:
	sh tests/deps-machines.sh $(BUILD)
