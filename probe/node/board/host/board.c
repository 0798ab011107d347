/* Runs a firmware on an emulated ATmega328P (libsimavr) in real time.
 *
 *   board node.elf
 *
 * Standard output: one line for each thing that happens, with the emulated time
 * in CPU cycles, among lines of the library's own:
 *   port NAME                the pseudo-terminal that is the board's serial port
 *   pin LEVEL CYCLE LAST     PD4 changed; LAST is when the board last got a byte
 *   done CYCLE LOST LONGEST  a command was carried out; LOST bytes that nobody took from
 *                            the pseudo-terminal, LONGEST cycles with interrupts off
 * Standard input, a command a line:
 *   adc CHANNEL CODE         the pin stands at the middle of this code
 *   ramp CHANNEL CYCLES      the code climbs by one each CYCLES, at the instant of conversion
 *   noise CHANNEL CODE SIGMA the pin stands at CODE, a number with a fraction, and each
 *                            conversion has normal noise of SIGMA codes
 *   shunt ADDRESS BUS SHUNT  a shunt monitor on I2C with this at its inputs, in its steps;
 *                            plugged anew when the address changes, ADDRESS 0: none
 *   blackout                 the shunt monitor was without supply for a moment
 *   poke ADDRESS BYTE        changes a byte of the EEPROM
 *   hang                     the program stops in its tracks, interrupts off
 *   reset                    the reset button
 *   stat                     nothing
 * It ends when standard input closes. */
#define _GNU_SOURCE
#include <fcntl.h>
#include <poll.h>
#include <math.h>
#include <simavr/avr_adc.h>
#include <simavr/avr_eeprom.h>
#include <simavr/avr_uart.h>
#include <simavr/sim_avr.h>
#include <simavr/sim_elf.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <termios.h>
#include <time.h>
#include <unistd.h>

#include "shuntmonitor.h"

enum {
	HZ = 16000000, SLICE = HZ / 4000, REFERENCE_MV = 5000, CHANNELS = 8,
	DDRD_ = 0x2A, PORTD_ = 0x2B, CUTOUT = 1 << 4, /* data space addresses of the chip */
	TIFR1_ = 0x36, OCF1B_ = 1 << 2, ADCSRB_ = 0x7B, ADTS_MASK = 7, ADTS_TIMER1_B = 5,
};

static avr_t *avr;
static avr_irq_t *adc, *uart;
static int pty;
static int may_receive = 1;
static unsigned char out[1 << 20]; /* a minute of the fastest stream */
static size_t out_length;
static unsigned long lost, ramp[CHANNELS];
static double middle[CHANNELS], sigma[CHANNELS]; /* sigma 0: no noise */
static unsigned shunt_address;
static avr_cycle_count_t last_received, longest_off;
static avr_cycle_count_t off_since; /* 0: interrupts not yet on since the reset */
static int hung_at = -1;
static unsigned char hung_code[2];

/* simavr 1.6 scales by 1023, the chip by 1024: feed what gives this code. */
static void set_code(int channel, unsigned code) {
	avr_raise_irq(adc + ADC_IRQ_ADC0 + channel, (code * REFERENCE_MV + 1022) / 1023);
}

/* Box and Muller; the seed is fixed. */
static double normal(void) {
	double u = (random() + 1.0) / (RAND_MAX + 1.0), v = random() / (double)RAND_MAX;
	return sqrt(-2 * log(u)) * cos(2 * M_PI * v);
}

static unsigned noisy(int channel) {
	double code = floor(middle[channel] + sigma[channel] * normal());
	return code < 0 ? 0 : code > 1023 ? 1023 : code;
}

static void converting(avr_irq_t *irq, uint32_t value, void *unused) {
	union { uint32_t v; avr_adc_mux_t mux; } from = {.v = value};
	int channel = from.mux.src;
	if (channel < CHANNELS && ramp[channel])
		set_code(channel, avr->cycle / ramp[channel] % 1024);
	else if (channel < CHANNELS && sigma[channel] > 0)
		set_code(channel, noisy(channel));
	(void)irq, (void)unused;
}

static void sent(avr_irq_t *irq, uint32_t byte, void *unused) {
	if (out_length < sizeof(out))
		out[out_length++] = byte;
	else
		lost++;
	(void)irq, (void)unused;
}

static void xon(avr_irq_t *irq, uint32_t value, void *unused) { may_receive = 1; (void)irq, (void)value, (void)unused; }
static void xoff(avr_irq_t *irq, uint32_t value, void *unused) { may_receive = 0; (void)irq, (void)value, (void)unused; }

/* What simavr 1.6 leaves out: Timer 1 compare B starts a conversion, on the
 * rising edge of its flag alone, so a firmware that forgets to clear the flag
 * stops here as it does on the chip. And what only shows while stepping. */
static void after_step(void) {
	static int flag_was, level_was;
	int flag = avr->data[TIFR1_] & OCF1B_;
	if (flag && !flag_was && (avr->data[ADCSRB_] & ADTS_MASK) == ADTS_TIMER1_B)
		avr_raise_irq(adc + ADC_IRQ_IN_TRIGGER, 1);
	flag_was = flag;

	int level = (avr->data[DDRD_] & avr->data[PORTD_] & CUTOUT) != 0;
	if (level != level_was)
		printf("pin %d %llu %llu\n", level, (unsigned long long)avr->cycle, (unsigned long long)last_received);
	level_was = level;

	if (avr->sreg[S_I])
		off_since = avr->cycle;
	else if (off_since && avr->cycle - off_since > longest_off)
		longest_off = avr->cycle - off_since;

	if (hung_at >= 0 && avr->pc != (unsigned)hung_at) {
		memcpy(avr->flash + hung_at, hung_code, 2);
		hung_at = -1;
	}
}

static void hang(void) {
	if (hung_at >= 0)
		return;
	hung_at = avr->pc;
	memcpy(hung_code, avr->flash + hung_at, 2);
	memcpy(avr->flash + hung_at, "\xff\xcf", 2); /* rjmp to itself */
	avr->sreg[S_I] = 0;
	off_since = 0;
}

static void plug(unsigned address, unsigned bus, unsigned shunt) {
	if (address != shunt_address)
		shuntmonitor_plug(address);
	shunt_address = address;
	shuntmonitor_inputs(bus, shunt);
}

static void obey(const char *line) {
	unsigned channel, code, bus, shunt;
	unsigned long cycles;
	double at, deviation;
	if (sscanf(line, "adc %u %u", &channel, &code) == 2 && channel < CHANNELS && code < 1024) {
		ramp[channel] = sigma[channel] = 0;
		set_code(channel, code);
	} else if (sscanf(line, "ramp %u %lu", &channel, &cycles) == 2 && channel < CHANNELS) {
		ramp[channel] = cycles;
	} else if (sscanf(line, "noise %u %lf %lf", &channel, &at, &deviation) == 3 && channel < CHANNELS) {
		ramp[channel] = 0;
		middle[channel] = at;
		sigma[channel] = deviation;
	} else if (sscanf(line, "shunt %u %u %u", &code, &bus, &shunt) == 3) {
		plug(code, bus, shunt);
	} else if (!strcmp(line, "blackout")) {
		shuntmonitor_plug(shunt_address);
	} else if (sscanf(line, "poke %u %u", &channel, &code) == 2) {
		uint8_t byte = code;
		avr_eeprom_desc_t d = {.ee = &byte, .offset = channel, .size = 1};
		avr_ioctl(avr, AVR_IOCTL_EEPROM_SET, &d);
	} else if (!strcmp(line, "reset")) {
		avr_reset(avr);
		off_since = 0;
		may_receive = 1;
	} else if (!strcmp(line, "hang")) {
		hang();
	} else if (strcmp(line, "stat")) {
		fprintf(stderr, "board: cannot do %s\n", line);
		exit(1);
	}
	printf("done %llu %lu %llu\n", (unsigned long long)avr->cycle, lost, (unsigned long long)longest_off);
}

static void take_commands(void) {
	static char line[128];
	static size_t n;
	struct pollfd in = {0, POLLIN, 0};
	while (poll(&in, 1, 0) > 0) {
		char c;
		if (read(0, &c, 1) != 1)
			exit(0);
		if (c != '\n') {
			if (n < sizeof(line) - 1)
				line[n++] = c;
			continue;
		}
		line[n] = 0;
		n = 0;
		obey(line);
	}
}

static void exchange_bytes(void) {
	unsigned char byte;
	while (may_receive && read(pty, &byte, 1) == 1) {
		avr_raise_irq(uart + UART_IRQ_INPUT, byte);
		last_received = avr->cycle;
	}
	ssize_t n = write(pty, out, out_length);
	if (n > 0) {
		memmove(out, out + n, out_length - n);
		out_length -= n;
	}
}

/* A machine that cannot keep up makes the emulated clock slow, never bursty:
 * a burst would look to the firmware like a silent host. */
static void keep_pace(void) {
	static struct timespec due;
	struct timespec now;
	clock_gettime(CLOCK_MONOTONIC, &now);
	long behind = (now.tv_sec - due.tv_sec) * 1000000000L + now.tv_nsec - due.tv_nsec;
	if (due.tv_sec == 0 || behind > 5000000)
		due = now;
	due.tv_nsec += 1000000000L / (HZ / SLICE);
	if (due.tv_nsec >= 1000000000L) {
		due.tv_nsec -= 1000000000L;
		due.tv_sec++;
	}
	clock_nanosleep(CLOCK_MONOTONIC, TIMER_ABSTIME, &due, NULL);
}

static void open_pty(void) {
	struct termios t;
	pty = posix_openpt(O_RDWR | O_NOCTTY | O_NONBLOCK);
	if (pty < 0 || grantpt(pty) || unlockpt(pty)) {
		perror("board: pseudo-terminal");
		exit(1);
	}
	int other = open(ptsname(pty), O_RDWR | O_NOCTTY); /* kept open: the port outlives those who open it */
	tcgetattr(other, &t);
	cfmakeraw(&t);
	tcsetattr(other, TCSANOW, &t);
	printf("port %s\n", ptsname(pty));
}

int main(int argc, char **argv) {
	elf_firmware_t firmware = {0};
	uint32_t flags = 0;
	if (argc != 2 || elf_read_firmware(argv[1], &firmware)) {
		fprintf(stderr, "usage: board firmware.elf\n");
		return 1;
	}
	setvbuf(stdout, NULL, _IOLBF, 0);
	avr = avr_make_mcu_by_name("atmega328p");
	avr_init(avr);
	firmware.frequency = HZ;
	avr_load_firmware(avr, &firmware);
	avr->vcc = avr->avcc = avr->aref = REFERENCE_MV;
	avr_ioctl(avr, AVR_IOCTL_UART_SET_FLAGS('0'), &flags);
	uart = avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), 0);
	adc = avr_io_getirq(avr, AVR_IOCTL_ADC_GETIRQ, 0);
	avr_irq_register_notify(uart + UART_IRQ_OUTPUT, sent, NULL);
	avr_irq_register_notify(uart + UART_IRQ_OUT_XON, xon, NULL);
	avr_irq_register_notify(uart + UART_IRQ_OUT_XOFF, xoff, NULL);
	avr_irq_register_notify(adc + ADC_IRQ_OUT_TRIGGER, converting, NULL);
	shuntmonitor_init(avr);
	open_pty();
	for (avr_cycle_count_t until = SLICE;; until += SLICE) {
		while (avr->cycle < until) {
			int state = avr_run(avr);
			after_step();
			if (state == cpu_Done || state == cpu_Crashed) {
				fprintf(stderr, "board: the firmware crashed\n");
				return 1;
			}
		}
		shuntmonitor_tick();
		take_commands();
		exchange_bytes();
		keep_pace();
	}
}
