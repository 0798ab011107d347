#include "shuntmonitor.h"

#include <simavr/avr_twi.h>
#include <stddef.h>

enum { CONFIG = 0x00, SHUNT = 0x01, BUS = 0x02, MAKER = 0xFE, DIE = 0xFF, POWER_ON = 0x4127, RESET_BIT = 0x8000, HZ = 16000000 };
enum { TWCR_ = 0xBC, TWSR_ = 0xB9, TWINT_ = 0x80 };

static const unsigned averages[] = {1, 4, 16, 64, 128, 256, 512, 1024};
static const unsigned microseconds[] = {140, 204, 332, 588, 1100, 2116, 4156, 8244};

static avr_t *avr;
static avr_irq_t *twi;
static uint8_t address, pointer, bytes, selected;
static uint16_t config, shunt, bus, shunt_in, bus_in, word;
static avr_cycle_count_t turn_ends;
static int addressing;

static void begin_turn(void) {
	unsigned us = averages[config >> 9 & 7] * (microseconds[config >> 6 & 7] + microseconds[config >> 3 & 7]);
	turn_ends = avr->cycle + (avr_cycle_count_t)us * (HZ / 1000000);
}

void shuntmonitor_plug(uint8_t at) {
	address = at;
	selected = 0;
	config = POWER_ON;
	shunt = bus = 0;
	begin_turn();
}

void shuntmonitor_inputs(uint16_t bus_code, uint16_t shunt_code) {
	bus_in = bus_code;
	shunt_in = shunt_code;
}

void shuntmonitor_tick(void) {
	if (avr->cycle < turn_ends)
		return;
	if ((config & 7) == 7) { /* both, without end */
		shunt = shunt_in;
		bus = bus_in;
	}
	begin_turn();
}

static uint16_t value(uint8_t reg) {
	switch (reg) {
	case CONFIG: return config;
	case SHUNT: return shunt;
	case BUS: return bus;
	case MAKER: return 0x5449;
	case DIE: return 0x2260;
	}
	return 0;
}

static void written(uint8_t byte) {
	if (bytes++ == 0) {
		pointer = byte;
		return;
	}
	word = word << 8 | byte;
	if (bytes == 3 && pointer == CONFIG) {
		config = word & RESET_BIT ? POWER_ON : word;
		begin_turn();
	}
}

static void answer(uint8_t message, uint8_t byte) {
	avr_raise_irq(twi + TWI_IRQ_INPUT, avr_twi_irq_msg(message, selected, byte));
}

static void line(avr_irq_t *irq, uint32_t raw, void *unused) {
	avr_twi_msg_irq_t m = {.u.v = raw};
	if (m.u.twi.msg & TWI_COND_STOP)
		selected = 0;
	if (m.u.twi.msg & TWI_COND_START) {
		bytes = 0;
		selected = address && m.u.twi.addr >> 1 == address ? m.u.twi.addr : 0;
		addressing = selected && !(m.u.twi.addr & 1);
		if (selected)
			answer(TWI_COND_ACK, 1);
	}
	if (selected && (m.u.twi.msg & TWI_COND_WRITE)) {
		answer(TWI_COND_ACK, 1);
		written(m.u.twi.data);
	}
	if (selected && (m.u.twi.msg & TWI_COND_READ))
		answer(TWI_COND_READ, bytes++ % 2 ? value(pointer) & 0xFF : value(pointer) >> 8);
	(void)irq, (void)unused;
}

/* Two faults of simavr 1.6, cured here so that the firmware need not know of
 * them: an acknowledged address for writing gives status 0x28 and not 0x18, and
 * the flag TWINT stays set when the program clears it. */
static void status(avr_irq_t *irq, uint32_t v, void *unused) {
	if (addressing && v == 0x28)
		avr->data[TWSR_] = (avr->data[TWSR_] & 7) | 0x18;
	addressing = 0;
	(void)irq, (void)unused;
}

static void control(avr_t *chip, avr_io_addr_t at, uint8_t v, void *unused) {
	if (v & TWINT_)
		chip->data[at] &= ~TWINT_;
	(void)unused;
}

void shuntmonitor_init(avr_t *chip) {
	avr = chip;
	twi = avr_io_getirq(avr, AVR_IOCTL_TWI_GETIRQ(0), 0);
	avr_irq_register_notify(twi + TWI_IRQ_OUTPUT, line, NULL);
	avr_irq_register_notify(twi + TWI_IRQ_STATUS, status, NULL);
	avr_register_io_write(avr, TWCR_, control, avr);
	shuntmonitor_plug(0);
}
