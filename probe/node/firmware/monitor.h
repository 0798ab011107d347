/* An optional shunt monitor on I2C (SDA PC4, SCL PC5): a 16-bit converter that
 * reads a bus voltage and the voltage over a shunt. Its two pins are ADC4 and
 * ADC5: a board has the monitor or these two channels. */
#ifndef MONITOR_H
#define MONITOR_H

#include <stdbool.h>
#include <stdint.h>

#include "protocol.h"

typedef struct {
	uint32_t number; /* since the monitor was started; counts missed ones, too */
	uint32_t clock;  /* device clock: nothing in it was converted before */
	uint8_t status;
	uint16_t bus;
	uint16_t shunt;
} monitor_sample_t;

/* Looks for one, once, at the start. */
void monitor_init(void);
bool monitor_found(void);

/* Ticks between readings; 0 stops. NOTE_DONE or what is wrong. */
uint8_t monitor_start(uint32_t interval);

/* Does the next small piece of work. Call it all the time. */
void monitor_poll(void);

/* A sample that has not been sent yet. */
bool monitor_take(monitor_sample_t *sample);

#endif
