# SPDX-License-Identifier: GPL-3.0-or-later
# Rehearse, report, plan, load, ride again: thirty machines drawn at random.
.PHONY: closed-loop
closed-loop: $(BUILD)/tests/tool_closed_loop
	$(BUILD)/tests/tool_closed_loop
