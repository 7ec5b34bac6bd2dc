# Trammel.  `make help` lists the targets.
# BUILD= chooses the build directory, SAN=1 builds with sanitizers, CC=clang works too.

CC       ?= gcc
BUILD    ?= build
PREFIX   ?= /usr/local
WERROR   ?=
OPT      ?= -O3 -g
WARN     := -Wall -Wextra -Wshadow -Wconversion -Wvla $(WERROR)
# -ffp-contract=off: the same log gives the same report from gcc and from clang.
CFLAGS   += -std=c17 -D_GNU_SOURCE $(OPT) $(SANITIZE) -ffp-contract=off -fno-math-errno $(WARN) -I. -MMD -MP
LIBS_COMMON  := -lcsv -linih -lm
LIBS_ANALYSE := -lgsl -lgslcblas -ljansson -lpthread
LIBS_LOGD    := -lserialport -lsystemd -lpthread
SANITIZE :=
ifeq ($(SAN),1)
SANITIZE := -fsanitize=address,undefined -fno-sanitize-recover=undefined -fno-omit-frame-pointer
LDFLAGS  += -fsanitize=address,undefined
endif

COMMON_SRC  := $(wildcard common/*.c)
ANALYSE_SRC := $(filter-out analyse/main.c,$(wildcard analyse/*.c analyse/*/*.c))
LOGD_SRC    := $(filter-out logd/main.c,$(wildcard logd/*.c))
TEST_SRC    := $(wildcard tests/test_*.c)
RIG_SRC     := $(filter-out $(wildcard tests/test_*.c tests/fuzz_*.c tests/tool_*.c tests/preload_*.c),$(wildcard tests/*.c))
TOOL_SRC    := $(wildcard tests/tool_*.c)
TESTS       := $(TEST_SRC:tests/%.c=$(BUILD)/tests/%)
TOOLS       := $(TOOL_SRC:tests/%.c=$(BUILD)/tests/%)
PRELOADS    := $(patsubst tests/%.c,$(BUILD)/tests/%.so,$(wildcard tests/preload_*.c))
obj = $(patsubst %.c,$(BUILD)/obj/%.o,$(1))

.PHONY: all deps check check-programs demo bench accuracy install clean help format lint
.SECONDARY:
all: $(BUILD)/trammeld $(BUILD)/trammel

help:
	@echo 'make deps     install what the build and the tests need (Debian packages)'
	@echo 'make          build $(BUILD)/trammeld and $(BUILD)/trammel'
	@echo 'make demo     rehearse a ride onto a pty, record it, print its report'
	@echo 'make check    build with sanitizers and run all tests'
	@echo 'make bench    cost of recording and reporting, beside common tools'
	@echo 'make lint     gcc and clang with -Werror'
	@echo 'make format   clang-format over the sources'
	@echo 'make install  into $(PREFIX)'
	@echo 'make clean'
	@echo
	@echo 'Long runs:'
	@echo 'make event-faults    faults of valves and sensors: each named, healthy rides without complaint'
	@echo 'make accuracy        what angle, valve events and work attain, against truth'
	@echo 'make faults          every reliability goal of the recorder, one line each (over an hour)'
	@echo 'make faults-reverse  break the recorder on purpose; the tests must notice'
	@echo 'make coverage        lines and branches of codec and recorder that the tests reach'
	@echo 'make mutants         MUTANTS=200 slips in the codec, one by one; the tests must notice'
	@echo 'make fuzz            FUZZ_SECONDS=60 for each of the readers'
	@echo 'make soak            SECONDS=600 of recording'
	@echo 'make closed-loop     plan and ride again, on machines drawn at random'
	@echo
	@echo 'Controller (make deps-firmware first):'
	@echo 'make firmware        the example controller for the ATmega328P'
	@echo 'make firmware-check  its tests in an emulator, sizes, the sender on three machines'
	@echo 'make loop            ride, report, plan and ride again with the real machine code'

deps:
	sh tests/deps.sh

$(BUILD)/obj/%.o: %.c
	@mkdir -p $(@D)
	$(CC) $(CFLAGS) -c $< -o $@

# Nearly all the time of the tests goes into these: they are optimized under the sanitizers too.
$(call obj,analyse/cycle.c analyse/onset.c analyse/onset_fit.c analyse/onset_learn.c analyse/pitch.c): override OPT := -O3 -g
# Sanitized, the forward model's lanes do not run abreast, which takes the tests three times as long.  It stands
# here as in the program; tests/test_onset_wide.c takes in its source and runs it with sanitizers.
$(call obj,analyse/onset.c): override SANITIZE :=

$(BUILD)/libcommon.a: $(call obj,$(COMMON_SRC))
$(BUILD)/libanalyse.a: $(call obj,$(ANALYSE_SRC))
$(BUILD)/liblogd.a: $(call obj,$(LOGD_SRC))
$(BUILD)/librig.a: $(call obj,$(RIG_SRC))
$(BUILD)/lib%.a:
	@rm -f $@
	$(AR) rcs $@ $^

$(BUILD)/trammel: $(call obj,analyse/main.c) $(BUILD)/libanalyse.a $(BUILD)/libcommon.a
	$(CC) $(LDFLAGS) $^ -o $@ $(LIBS_ANALYSE) $(LIBS_COMMON)
$(BUILD)/trammeld: $(call obj,logd/main.c) $(BUILD)/liblogd.a $(BUILD)/libcommon.a
	$(CC) $(LDFLAGS) $^ -o $@ $(LIBS_LOGD) $(LIBS_COMMON)

$(BUILD)/tests/%: $(BUILD)/obj/tests/%.o $(BUILD)/librig.a $(BUILD)/libanalyse.a $(BUILD)/liblogd.a $(BUILD)/libcommon.a
	@mkdir -p $(@D)
	$(CC) $(LDFLAGS) $^ -o $@ -lcheck -lsubunit -lrt $(LIBS_ANALYSE) $(LIBS_LOGD) $(LIBS_COMMON)
$(BUILD)/tests/preload_%.so: tests/preload_%.c
	@mkdir -p $(@D)
	$(CC) $(filter-out -fsanitize%,$(CFLAGS)) -fPIC -shared $< -o $@ -ldl

check-programs: all $(TESTS) $(TOOLS) $(PRELOADS)

# The test run is a build of its own, with sanitizers.
check:
	$(MAKE) BUILD=$(BUILD)/san SAN=1 OPT='-O1 -g' check-programs
	sh tests/run.sh $(BUILD)/san

demo: all
	sh tests/demo.sh $(BUILD)

bench: all $(BUILD)/tests/tool_measure
	sh tests/bench.sh $(BUILD)

accuracy: accuracy-crank accuracy-events

lint:
	$(MAKE) BUILD=$(BUILD)/lint-gcc CC=gcc WERROR=-Werror check-programs
	$(MAKE) BUILD=$(BUILD)/lint-clang CC=clang WERROR=-Werror check-programs

format:
	clang-format -i $$(git ls-files '*.c' '*.h')

install: all
	install -Dm755 $(BUILD)/trammeld $(DESTDIR)$(PREFIX)/bin/trammeld
	install -Dm755 $(BUILD)/trammel $(DESTDIR)$(PREFIX)/bin/trammel
	install -Dm644 logd/trammeld.service $(DESTDIR)$(PREFIX)/lib/systemd/system/trammeld.service
	install -Dm644 logd/99-trammel.rules $(DESTDIR)$(PREFIX)/lib/udev/rules.d/99-trammel.rules
	install -Dm644 logd/trammel.tmpfiles $(DESTDIR)$(PREFIX)/lib/tmpfiles.d/trammel.conf
	install -Dm644 logd/trammel.sysusers $(DESTDIR)$(PREFIX)/lib/sysusers.d/trammel.conf

clean:
	rm -rf $(BUILD)

-include $(wildcard tests/*.mk)
-include $(shell find $(BUILD)/obj -name '*.d' 2>/dev/null)
