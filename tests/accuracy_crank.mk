# SPDX-License-Identifier: GPL-3.0-or-later
# How exactly the crank is followed, over wheels, motions and seeds of known truth.
# SEEDS=50 gives the full table (about an hour); 5 by default.
.PHONY: accuracy-crank
accuracy-crank: $(BUILD)/tests/tool_accuracy_crank
	$(BUILD)/tests/tool_accuracy_crank $(SEEDS)
