# SPDX-License-Identifier: GPL-3.0-or-later
# Work, useful angle, air and torque against simulated truth: errors, and whether the intervals hold it.
.PHONY: accuracy-work
accuracy: accuracy-work
accuracy-work: $(BUILD)/tests/tool_accuracy_work
	$(BUILD)/tests/tool_accuracy_work
