#include "monitor.h"

#include <avr/io.h>
#include <avr/wdt.h>

#include "sampler.h"

/* The registers, big-endian: data sheet of the INA226, Texas Instruments
 * SBOS547, tables of registers. */
#define REG_CONFIG 0x00
#define REG_SHUNT 0x01
#define REG_BUS 0x02
#define REG_MAKER 0xFE
#define REG_DIE 0xFF
#define MAKER_ID 0x5449
#define DIE_ID 0x2260
#define FIRST_ADDRESS 0x40
#define ADDRESSES 16

/* Averages of 4, 1.1 ms for each of the two, without end. */
#define CONFIG 0x4327
/* A register holds what was converted in the turn before: two turns of
 * 4 x 2 x 1.1 ms, and a tenth more for the monitor's own oscillator. */
#define AGE_TICKS (2 * 17600UL * 11 / 10)

/* 100 kHz: 16 MHz / (16 + 2 * 72). */
#define BIT_RATE 72
/* One step of a transfer takes 90 us; far longer, and the bus hangs. */
#define STEP_TICKS 4000
#define TRIES 3
#define AGAIN_TICKS TICK_HZ /* an absent monitor is looked for each second */

#define GO (_BV(TWINT) | _BV(TWEN))
#define ST_START 0x08
#define ST_RESTART 0x10
#define ST_ADDRESS_WRITE 0x18
#define ST_SENT 0x28
#define ST_ADDRESS_READ 0x40
#define ST_GOT 0x50
#define ST_GOT_LAST 0x58

/* A transfer: point at a register, then write or read two bytes. */
static struct {
	enum { IDLE, RUNNING, DONE, FAILED } state;
	bool writing;
	uint8_t address, reg, bytes;
	uint16_t value;
	uint32_t since;
} bus;

static uint8_t address; /* 0: none found */
static uint32_t interval, due, next_number;
static enum { REST, CONFIGURE, READ_SHUNT, READ_BUS, READ_CONFIG } step;
static bool configured, lost, fresh;
static uint8_t failures;
static monitor_sample_t sample;

static void transfer(uint8_t to, uint8_t reg, bool writing, uint16_t value) {
	bus.state = RUNNING;
	bus.writing = writing;
	bus.address = to;
	bus.reg = reg;
	bus.value = value;
	bus.bytes = 0;
	bus.since = sampler_clock();
	TWCR = GO | _BV(TWSTA);
}

/* A stop always, after a refusal too: without it the bus stays taken. */
static void end_transfer(uint8_t how) {
	TWCR = GO | _BV(TWSTO);
	bus.state = how;
}

static void put(uint8_t byte) {
	TWDR = byte;
	TWCR = GO;
}

static void got(uint8_t byte) {
	bus.value = bus.value << 8 | byte;
	bus.bytes++;
}

static void bus_poll(void) {
	if (bus.state != RUNNING)
		return;
	if (!(TWCR & _BV(TWINT))) {
		if (sampler_clock() - bus.since > STEP_TICKS) {
			TWCR = 0; /* lets go of both lines */
			bus.state = FAILED;
		}
		return;
	}
	bus.since = sampler_clock();
	switch (TWSR & 0xF8) {
	case ST_START:
		put(bus.address << 1);
		break;
	case ST_ADDRESS_WRITE:
		put(bus.reg);
		break;
	case ST_SENT:
		if (!bus.writing)
			TWCR = GO | _BV(TWSTA);
		else if (bus.bytes == 2)
			end_transfer(DONE);
		else
			put(bus.bytes++ ? bus.value & 0xFF : bus.value >> 8);
		break;
	case ST_RESTART:
		put(bus.address << 1 | 1);
		break;
	case ST_ADDRESS_READ:
		TWCR = GO | _BV(TWEA);
		break;
	case ST_GOT:
		got(TWDR);
		TWCR = GO; /* no acknowledge: the second byte is the last */
		break;
	case ST_GOT_LAST:
		got(TWDR);
		end_transfer(bus.bytes == 2 ? DONE : FAILED);
		break;
	default:
		end_transfer(FAILED);
	}
}

static bool read_now(uint8_t at, uint8_t reg, uint16_t *value) {
	transfer(at, reg, false, 0);
	while (bus.state == RUNNING)
		bus_poll();
	*value = bus.value;
	return bus.state == DONE;
}

static bool is_monitor(uint8_t at) {
	uint16_t maker, die;
	return read_now(at, REG_MAKER, &maker) && maker == MAKER_ID && read_now(at, REG_DIE, &die) && die == DIE_ID;
}

/* The converter's channels 4 and 5 share the two pins: without a monitor the
 * bus lets go of them. */
void monitor_init(void) {
	uint8_t analogue = DIDR0;
	DIDR0 = analogue & ~MONITOR_PINS;
	TWSR = 0;
	TWBR = BIT_RATE;
	for (uint8_t i = 0; i < ADDRESSES && !address; i++) {
		wdt_reset();
		if (is_monitor(FIRST_ADDRESS + i))
			address = FIRST_ADDRESS + i;
	}
	if (!address) {
		TWCR = 0;
		DIDR0 = analogue;
	}
}

bool monitor_found(void) {
	return address != 0;
}

uint8_t monitor_start(uint32_t ticks) {
	if (ticks != 0 && (ticks < SHORTEST_MONITOR || ticks > LONGEST_MONITOR))
		return NOTE_RANGE;
	if (ticks != 0 && !address)
		return NOTE_ABSENT;
	interval = ticks;
	due = sampler_clock() + ticks;
	next_number = 0;
	failures = 0;
	configured = lost = fresh = false;
	step = REST;
	return NOTE_DONE;
}

static void publish(uint8_t status) {
	sample.status = status;
	if (status != MONITOR_GOOD) {
		sample.number = next_number;
		sample.bus = sample.shunt = 0;
	}
	sample.clock = sampler_clock() - AGE_TICKS;
	fresh = true;
}

/* It is told once that the monitor does not answer any more. */
static void failed(void) {
	step = REST;
	configured = false; /* one that comes back may have been without supply */
	if (lost || ++failures < TRIES)
		return;
	lost = true;
	publish(MONITOR_LOST);
}

static void begin_turn(void) {
	if (interval == 0)
		return;
	uint32_t now = sampler_clock();
	if ((int32_t)(now - due) < 0)
		return;
	due = now + (lost ? AGAIN_TICKS : interval);
	if (configured) {
		sample.number = next_number++;
		step = READ_SHUNT;
		transfer(address, REG_SHUNT, false, 0);
	} else {
		step = CONFIGURE;
		transfer(address, REG_CONFIG, true, CONFIG);
	}
}

void monitor_poll(void) {
	bus_poll();
	if (bus.state == RUNNING)
		return;
	bool ok = bus.state == DONE;
	bus.state = IDLE;
	switch (step) {
	case REST:
		begin_turn();
		break;
	case CONFIGURE:
		if (!ok) {
			failed();
			break;
		}
		configured = true;
		due = sampler_clock() + AGE_TICKS; /* what it held before counts for nothing */
		step = REST;
		break;
	case READ_SHUNT:
		if (!ok) {
			failed();
			break;
		}
		sample.shunt = bus.value;
		step = READ_BUS;
		transfer(address, REG_BUS, false, 0);
		break;
	case READ_BUS:
		if (!ok) {
			failed();
			break;
		}
		sample.bus = bus.value;
		step = READ_CONFIG;
		transfer(address, REG_CONFIG, false, 0);
		break;
	case READ_CONFIG:
		/* One that was without supply meanwhile has forgotten it, and has
		 * zeros in its registers. */
		if (!ok || bus.value != CONFIG) {
			failed();
			break;
		}
		failures = 0;
		lost = false;
		step = REST;
		publish(MONITOR_GOOD);
		break;
	}
}

bool monitor_take(monitor_sample_t *out) {
	if (!fresh)
		return false;
	fresh = false;
	*out = sample;
	return true;
}
