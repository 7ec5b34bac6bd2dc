/* SPDX-License-Identifier: 0BSD */
#include "timing.h"
#include "config.h"

#include <avr/pgmspace.h>

#define TRAMMEL_TABLE PROGMEM
#ifndef TIMING_HEADER
#define TIMING_HEADER "timing_default.h"
#endif
#include TIMING_HEADER

static uint8_t row, column;
static uint8_t part; /* of the way from this column to the next, 256ths */

static uint16_t sum(uint16_t crc, const void *table, uint16_t bytes)
{
	const uint8_t *at = table;
	while (bytes-- > 0) {
		uint8_t x = (uint8_t)(crc >> 8 ^ pgm_read_byte(at++));
		x = (uint8_t)(x ^ x >> 4);
		crc = (uint16_t)((uint16_t)(crc << 8) ^ (uint16_t)(x << 12) ^ (uint16_t)(x << 5) ^ x);
	}
	return crc;
}

uint16_t timing_version(void)
{
	uint16_t crc = sum(0xffff, trammel_valve_number, sizeof trammel_valve_number);
	crc = sum(crc, trammel_supply_mbar_gauge, sizeof trammel_supply_mbar_gauge);
	crc = sum(crc, trammel_speed_rpm, sizeof trammel_speed_rpm);
	crc = sum(crc, trammel_on_ddeg, sizeof trammel_on_ddeg);
	return sum(crc, trammel_off_ddeg, sizeof trammel_off_ddeg);
}

void timing_supply(uint16_t mbar_gauge)
{
	row = 0;
	while (row + 1 < TRAMMEL_SUPPLIES && pgm_read_word(&trammel_supply_mbar_gauge[row + 1]) <= mbar_gauge)
		row++;
}

static uint16_t column_rpm(uint8_t c)
{
	return pgm_read_word(&trammel_speed_rpm[c]);
}

/* rpm in 64ths: 60e6 us / 2^30 x 64 = 3.5763 of them for each unit of speed. */
static uint16_t rpm_64(uint16_t speed)
{
	uint32_t rpm = ((uint32_t)speed * 3662) >> 10;
	return rpm > 0xffff ? 0xffff : (uint16_t)rpm;
}

void timing_speed(uint16_t speed)
{
	uint16_t rpm = rpm_64(speed);
	while (column > 0 && rpm >> 6 < column_rpm(column))
		column--;
	while (column + 1 < TRAMMEL_SPEEDS && column_rpm((uint8_t)(column + 1)) <= rpm >> 6)
		column++;
	part = 0;
	if (column + 1 == TRAMMEL_SPEEDS)
		return;
	uint16_t from = column_rpm(column), width = (uint16_t)(column_rpm((uint8_t)(column + 1)) - from);
	part = (uint8_t)(((uint32_t)(uint16_t)(rpm - (uint16_t)(from << 6)) << 2) / width);
}

static uint8_t place_of(uint8_t valve)
{
	uint8_t i = 0;
	while (i < TRAMMEL_VALVES && pgm_read_byte(&trammel_valve_number[i]) != valve)
		i++;
	return i;
}

uint8_t timing_valves(void)
{
	uint8_t bits = 0;
	for (uint8_t v = 0; v < VALVES; v++)
		if (place_of(v) < TRAMMEL_VALVES)
			bits = (uint8_t)(bits | 1 << v);
	return bits;
}

static const uint16_t *cells(uint8_t valve, bool on)
{
	uint8_t i = place_of(valve);
	return on ? trammel_on_ddeg[i][row] : trammel_off_ddeg[i][row];
}

/* 0.1 degree in sixteenths, to 65536ths of a turn: x 65536 / 57600. */
static uint16_t turn_of(uint16_t ddeg_16)
{
	return (uint16_t)(((uint32_t)ddeg_16 * 74565ul) >> 16);
}

uint16_t timing_angle(uint8_t valve, bool on)
{
	const uint16_t *cell = cells(valve, on) + column;
	int16_t here = (int16_t)pgm_read_word(cell);
	if (part == 0)
		return turn_of((uint16_t)(here << 4));
	int16_t step = (int16_t)((int16_t)pgm_read_word(cell + 1) - here);
	if (step > 1800)
		step = (int16_t)(step - 3600);
	if (step < -1800)
		step = (int16_t)(step + 3600);
	int32_t ddeg_16 = ((int32_t)here << 4) + (((int32_t)step * part) >> 4);
	if (ddeg_16 < 0)
		ddeg_16 += 57600;
	if (ddeg_16 >= 57600)
		ddeg_16 -= 57600;
	return turn_of((uint16_t)ddeg_16);
}

int16_t timing_setting(uint8_t valve, bool on)
{
	return (int16_t)pgm_read_word(cells(valve, on));
}
