# SPDX-License-Identifier: GPL-3.0-or-later
# The controller, its size, and its rig in the emulator.  Included by the Makefile;
# needs the packages of tests/deps-firmware.sh (make deps-firmware).

AVR_CC     ?= avr-gcc
AVR_SIZE   ?= avr-size
ARM_CC     ?= arm-none-eabi-gcc
AVR_MCU    ?= atmega328p
FIRMWARE_WARN := -Wall -Wextra -Wconversion -pedantic
# TIMING=FILE.h builds the controller with a header of `trammel plan --header`.
TIMING     ?= firmware/controller/timing_default.h
CONTROLLER := $(BUILD)/firmware/controller.elf
CONTROLLER_SRC := $(wildcard firmware/controller/*.c firmware/controller/*.S) firmware/trammel_send.c
CONTROLLER_DEP := $(wildcard firmware/controller/*.h firmware/*.h)

.PHONY: deps-firmware firmware firmware-size firmware-lint firmware-check firmware-measure loop
deps-firmware:
	sh tests/deps-firmware.sh

AVR_FLAGS := -mmcu=$(AVR_MCU) -DF_CPU=16000000UL -std=gnu99 -O2 $(FIRMWARE_WARN) -Wno-pedantic \
	-ffunction-sections -fdata-sections -Wl,--gc-sections

firmware: $(CONTROLLER)
	$(AVR_SIZE) $<
$(BUILD)/firmware/%.elf: $(CONTROLLER_SRC) $(CONTROLLER_DEP) $(TIMING)
	@mkdir -p $(@D)
	$(AVR_CC) $(AVR_FLAGS) -DTIMING_HEADER='"$(abspath $(TIMING))"' $(CONTROLLER_FLAGS) $(CONTROLLER_SRC) -o $@

# The sender as anyone would compile it: C99, no warning, on three machines.
firmware-lint:
	@mkdir -p $(BUILD)/firmware
	for cc in "$(CC)" "$(AVR_CC) -mmcu=$(AVR_MCU) -Os" "$(ARM_CC) -mcpu=cortex-m0plus -mthumb -Os"; do \
		$$cc -std=c99 $(FIRMWARE_WARN) -Werror -c firmware/trammel_send.c -o $(BUILD)/firmware/lint.o && \
		$$cc -std=c99 $(FIRMWARE_WARN) -Werror -Wno-unused-function -x c -c firmware/trammel_print.h \
			-o $(BUILD)/firmware/lint.o || exit 1; done

# Goals: 2048 bytes of flash; 128 bytes of RAM beside the buffer.
firmware-size:
	sh tests/firmware-size.sh $(BUILD) "$(AVR_CC)" "$(AVR_SIZE)" "$(ARM_CC)"

# --- the rig: the controller's machine code in an emulator, the rehearsal's engine around it ---
CALLS := $(BUILD)/firmware/calls.elf
$(CALLS): tests/avr/calls_avr.c tests/avr/calls.h firmware/trammel_send.c firmware/trammel_send.h
	@mkdir -p $(@D)
	$(AVR_CC) -mmcu=$(AVR_MCU) -DF_CPU=16000000UL -std=gnu99 -Os -I. tests/avr/calls_avr.c firmware/trammel_send.c -o $@

AVR_RIG := $(call obj,firmware/trammel_send.c tests/avr/board.c tests/avr/bench.c tests/avr/heard.c tests/avr/live.c \
	tests/avr/ride.c)
$(BUILD)/avr/%: $(BUILD)/obj/tests/avr/%.o $(AVR_RIG) $(BUILD)/librig.a $(BUILD)/libanalyse.a $(BUILD)/liblogd.a $(BUILD)/libcommon.a
	@mkdir -p $(@D)
	$(CC) $(LDFLAGS) $^ -o $@ -lsimavr -lcheck -lsubunit -lrt $(LIBS_ANALYSE) $(LIBS_LOGD) $(LIBS_COMMON)

# Record, report, plan, load, ride again, with the controller's own machine code.
loop: all firmware $(BUILD)/avr/tool_ride $(BUILD)/avr/tool_figures $(BUILD)/tests/tool_records
	sh tests/loop.sh $(BUILD)

# Cycles, latencies and stamps for firmware/README.md.
firmware-measure: $(CONTROLLER) $(BUILD)/firmware/put_cost.elf $(BUILD)/avr/tool_measure $(BUILD)/avr/tool_serial
	$(BUILD)/avr/tool_measure $(CONTROLLER) 290 3000
	@echo 'calls of the sender (-O2):'
	@$(BUILD)/avr/tool_serial $(BUILD)/firmware/put_cost.elf 1
$(BUILD)/firmware/put_cost.elf: tests/avr/put_cost_avr.c firmware/trammel_send.c firmware/trammel_send.h
	@mkdir -p $(@D)
	$(AVR_CC) -mmcu=$(AVR_MCU) -DF_CPU=16000000UL -std=gnu99 -O2 -I. tests/avr/put_cost_avr.c firmware/trammel_send.c -o $@

# The switch in the other position.
UNHEARD := $(BUILD)/firmware/unheard.elf
$(UNHEARD): CONTROLLER_FLAGS += -DLINK_LOSS_SHUTS=0

# The rig's own tests: a minute or two.
firmware-check: $(CONTROLLER) $(UNHEARD) $(CALLS) $(BUILD)/avr/test_controller $(BUILD)/avr/test_fault_rides $(BUILD)/avr/test_sketch firmware-lint firmware-size
	TRAMMEL_ELF=$(CONTROLLER) TRAMMEL_CALLS_ELF=$(CALLS) $(BUILD)/avr/test_controller
	TRAMMEL_ELF=$(CONTROLLER) TRAMMEL_UNHEARD_ELF=$(UNHEARD) $(BUILD)/avr/test_fault_rides
	sh tests/firmware-sketch.sh $(BUILD)
