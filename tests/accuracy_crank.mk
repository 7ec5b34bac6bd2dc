# SPDX-License-Identifier: GPL-3.0-or-later
# How exactly the crank is followed, over wheels, motions and seeds of known truth, then
# over rehearsed machines drawn at random.  SEEDS=50 gives the full table of the wheels,
# MACHINES=50 that of the machines; 5 by default.
.PHONY: accuracy-crank
accuracy-crank: $(BUILD)/tests/tool_accuracy_crank $(BUILD)/tests/tool_accuracy_machines
	$(BUILD)/tests/tool_accuracy_crank $(SEEDS)
	$(BUILD)/tests/tool_accuracy_machines 1 $(or $(MACHINES),5)
