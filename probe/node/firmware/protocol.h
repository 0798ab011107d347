/* The numbers on the wire. PROTOCOL.md says what they mean.
 *
 * None of them may ever change: boards in the field speak them. New ones get
 * new numbers at the end of their list. */
#ifndef PROTOCOL_H
#define PROTOCOL_H

#define PROTOCOL_VERSION 1
#define FIRMWARE_MAJOR 1
#define FIRMWARE_MINOR 1

/* Host to board. */
#define CMD_HELLO 0x01
#define CMD_START 0x02
#define CMD_STOP 0x03
#define CMD_KEEP_ALIVE 0x04
#define CMD_CUT 0x05
#define CMD_RESTORE 0x06
#define CMD_LIMIT 0x07
#define CMD_READ_CAL 0x08
#define CMD_WRITE_CAL 0x09
#define CMD_MONITOR 0x0A
/* 0x0B reserved. */

/* Board to host. */
#define MSG_HELLO 0x81
#define MSG_SAMPLES 0x82
#define MSG_STATE 0x83
#define MSG_NOTE 0x84
#define MSG_CAL 0x85
#define MSG_MONITOR 0x86

/* What a board can do beside, in its hello. */
#define HAS_CALIBRATION 0x01
#define HAS_MONITOR 0x02

/* Why a hello is sent. */
#define HELLO_ASKED 0
#define HELLO_STARTED 1

/* Why the output is as it is. */
#define WHY_STARTED 0
#define WHY_COMMAND 1
#define WHY_HOST_SILENT 2
#define WHY_LIMIT 3
#define WHY_NOT_WATCHED 4

/* What became of a command. */
#define NOTE_DONE 0
#define NOTE_UNKNOWN 1
#define NOTE_LENGTH 2
#define NOTE_RANGE 3
#define NOTE_TOO_FAST 4
#define NOTE_REFUSED 5
#define NOTE_BAD_FRAME 6
#define NOTE_LOST 7
#define NOTE_ABSENT 8

/* How a sample of the shunt monitor is. */
#define MONITOR_GOOD 0
#define MONITOR_LOST 1

#define NO_CHANNEL 0xFF

/* The board. */
#define CHANNELS 8
#define ADC_BITS 10
#define ADC_TOP 1023
#define MAX_SHIFT 6               /* sums of 64 conversions fill 16 bits */
#ifndef REFERENCE_MV
#define REFERENCE_MV 5000         /* AVcc; calibrate it on the host */
#endif
#define TICK_HZ 2000000UL         /* Timer 1 at 16 MHz / 8 */
#define SHORTEST_INTERVAL 240     /* ticks between conversions: 120 us */
#define LONGEST_INTERVAL 20000    /* 10 ms */
#define BLOCK_TICKS 40000UL       /* a block is sent after 20 ms at the latest */
#define BLOCK_MS_TICKS 2000U
#define HOST_SILENCE_MS 500
#define CAL_SLOTS 10              /* eight channels, the monitor's bus and shunt */
#define CAL_RECORD 56
#define CAL_CHANNEL_AT 1
#define CAL_ERASED 0xFF           /* a record that begins so is none */
#define MONITOR_PINS 0x30         /* channels 4 and 5 */
#define MONITOR_BUS_UV 1250       /* one step */
#define MONITOR_SHUNT_NV 2500
#define SHORTEST_MONITOR 20000UL  /* 10 ms */
#define LONGEST_MONITOR 2000000UL

#define SAMPLES_HEADER 16         /* type and what stands before the samples */
#define BLOCK_SAMPLES 116
/* Type, body and checksum: at most 250 bytes, one COBS block. */
#define FRAME_MAX (SAMPLES_HEADER + 2 * BLOCK_SAMPLES + 2)

#endif
