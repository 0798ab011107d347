/* What the EEPROM keeps: the board's number, and a calibration for each
 * channel. A record is written byte by byte while everything else goes on:
 * one byte takes 3.4 ms. */
#ifndef SETTINGS_H
#define SETTINGS_H

#include <stdbool.h>
#include <stdint.h>

#include "protocol.h"

uint32_t settings_board_id(void);

/* As it stands, good or not. */
void settings_read(uint8_t slot, uint8_t *record);

/* Begins to write a record; a record in work is given up. */
void settings_write(uint8_t slot, const uint8_t *record);

/* Moves one byte if the EEPROM is ready. True once, when a record is done. */
bool settings_poll(void);

#endif
