#include "settings.h"

#include <avr/eeprom.h>
#include <string.h>

/* The board's number, put there once. All ones: never set. */
#define BOARD_ID_AT ((const uint32_t *)0)
#define RECORDS_AT 16

static uint8_t pending[CAL_RECORD];
static uint16_t write_at;
static uint8_t written = CAL_RECORD;

static uint16_t place(uint8_t slot) {
	return RECORDS_AT + (uint16_t)slot * CAL_RECORD;
}

uint32_t settings_board_id(void) {
	return eeprom_read_dword(BOARD_ID_AT);
}

void settings_read(uint8_t slot, uint8_t *record) {
	eeprom_read_block(record, (const void *)place(slot), CAL_RECORD);
}

void settings_write(uint8_t slot, const uint8_t *record) {
	memcpy(pending, record, CAL_RECORD);
	write_at = place(slot);
	written = 0;
}

bool settings_poll(void) {
	if (written == CAL_RECORD || !eeprom_is_ready())
		return false;
	eeprom_update_byte((uint8_t *)(write_at + written), pending[written]);
	return ++written == CAL_RECORD;
}
