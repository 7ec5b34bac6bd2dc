# SPDX-License-Identifier: GPL-3.0-or-later
# How exactly valve events, delays and offsets are found, against simulated truth.
.PHONY: accuracy-events
accuracy-events: $(BUILD)/tests/tool_accuracy_events
	$(BUILD)/tests/tool_accuracy_events
