# SPDX-License-Identifier: GPL-3.0-or-later
# The long forms of trammeld's fault tests.  Counts follow the goals in tests/faults.h; about an hour
# in all.  One line a goal: trials, failures, worst case.
#   make faults                   everything but the soak
#   make soak SECONDS=604800      a week at line rate
#   make faults-reverse           do the tests notice when the recorder is broken on purpose?

FAULTS := $(BUILD)/tests/tool_faults
SECONDS ?= 600

.PHONY: faults faults-reverse soak
faults: $(BUILD)/trammeld $(FAULTS) $(PRELOADS)
	$(FAULTS) cut 20
	$(FAULTS) kill 10000
	$(FAULTS) disk 2000
	$(FAULTS) short 2000
	$(FAULTS) full 20
	$(FAULTS) flip 100
	$(FAULTS) freeze 10
	$(FAULTS) freeze 60
	$(FAULTS) watchdog 10
	$(FAULTS) replug 1000
	$(FAULTS) library 100
	$(FAULTS) noise 600
	$(FAULTS) heap 100
	$(FAULTS) clock 300
	$(FAULTS) race 1000
	$(FAULTS) retention 400
	sh tests/faults_reverse.sh

soak: $(BUILD)/trammeld $(FAULTS) $(PRELOADS)
	$(FAULTS) soak $(SECONDS)

faults-reverse:
	sh tests/faults_reverse.sh
