/* A shunt monitor on the emulated chip's I2C lines: what its data sheet says
 * of the registers (INA226, Texas Instruments SBOS547), and no line of the
 * firmware's. */
#ifndef SHUNTMONITOR_H
#define SHUNTMONITOR_H

#include <simavr/sim_avr.h>
#include <stdint.h>

/* Puts the lines in place; nothing answers until it is plugged. */
void shuntmonitor_init(avr_t *avr);

/* 0 unplugs it. Plugged, it begins as after power-on. */
void shuntmonitor_plug(uint8_t address);

/* What stands at its inputs, in its own steps. */
void shuntmonitor_inputs(uint16_t bus, uint16_t shunt);

/* Lets its time pass. */
void shuntmonitor_tick(void);

#endif
