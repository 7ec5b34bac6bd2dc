# SPDX-License-Identifier: GPL-3.0-or-later
# How exactly valve events, delays and offsets are found, against simulated truth: scenarios of one
# machine, then machines drawn at random (EVENT_MACHINES, EVENT_FIRST, EVENT_HZ and EVENT_SECONDS choose others),
# usual and odd ones.
.PHONY: accuracy-events
accuracy-events: $(BUILD)/tests/tool_accuracy_events $(BUILD)/tests/tool_event_machines
	$(BUILD)/tests/tool_accuracy_events
	$(BUILD)/tests/tool_event_machines
	EVENT_KIND=odd $(BUILD)/tests/tool_event_machines
	EVENT_KIND=small $(BUILD)/tests/tool_event_machines

# Each fault of valves, wires, hoses and sensors seeded in rehearsed rides, and 200 healthy ones.
.PHONY: event-faults
event-faults: $(BUILD)/tests/tool_event_faults
	$(BUILD)/tests/tool_event_faults
