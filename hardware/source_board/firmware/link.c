#include "link.h"

#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/pgmspace.h>
#include <util/atomic.h>

#define BAUD     250000UL
#define RX_SIZE  128 /* powers of two */
#define TX_SIZE  256
#define LONGEST  (MAX_PAYLOAD + 4)

static volatile uint8_t rx_ring[RX_SIZE], rx_head, rx_tail;
static volatile uint8_t tx_ring[TX_SIZE], tx_head, tx_tail;

/* Decoder: COBS undone on the fly into `frame`. */
static uint8_t frame[LONGEST];
static uint8_t frame_length; /* bytes decoded so far */
static uint8_t block_left;   /* data bytes still to come in the running COBS block */
static bool zero_due;        /* a zero belongs before the next block, if there is one */
static bool started, bad;
static uint8_t bad_frames, payload_length;

void link_init(void)
{
	UCSR0A = _BV(U2X0); /* before the divisor, which counts by it */
	UBRR0 = F_CPU / 8 / BAUD - 1;
	UCSR0C = _BV(UCSZ01) | _BV(UCSZ00);
	UCSR0B = _BV(RXEN0) | _BV(TXEN0) | _BV(RXCIE0);
}

ISR(USART_RX_vect)
{
	uint8_t status = UCSR0A, byte = UDR0;
	uint8_t next = (rx_head + 1) & (RX_SIZE - 1);
	static bool cut; /* a byte was spoilt or lost: a zero in its place ends the frame, which then fails */

	if (status & (_BV(FE0) | _BV(DOR0)))
		cut = true;
	if (next == rx_tail) {
		cut = true;
		return;
	}
	if (cut) {
		byte = 0;
		cut = false;
	}
	rx_ring[rx_head] = byte;
	rx_head = next;
}

ISR(USART_UDRE_vect)
{
	UDR0 = tx_ring[tx_tail];
	tx_tail++;
	if (tx_tail == tx_head)
		UCSR0B &= (uint8_t)~_BV(UDRIE0);
}

uint32_t crc32_update(uint32_t crc, uint8_t byte)
{
	/* IEEE 802.3, reflected, four bits at a time */
	static const uint32_t nibble[16] PROGMEM = {
		0x00000000, 0x1db71064, 0x3b6e20c8, 0x26d930ac, 0x76dc4190, 0x6b6b51f4, 0x4db26158, 0x5005713c,
		0xedb88320, 0xf00f9344, 0xd6d6a3e8, 0xcb61b38c, 0x9b64c2b0, 0x86d3d2d4, 0xa00ae278, 0xbdbdf21c,
	};
	crc ^= byte;
	crc = (crc >> 4) ^ pgm_read_dword(&nibble[crc & 15]);
	crc = (crc >> 4) ^ pgm_read_dword(&nibble[crc & 15]);
	return crc;
}

static void decoder_restart(void)
{
	frame_length = 0;
	block_left = 0;
	zero_due = false;
	started = false;
	bad = false;
}

static void keep(uint8_t byte)
{
	if (frame_length < LONGEST)
		frame[frame_length++] = byte;
	else
		bad = true;
}

/* The zero that ends a frame has come: is what is before it one of ours? */
static bool frame_is_good(void)
{
	uint32_t crc = ~0UL;

	if (bad || block_left || frame_length < HEADER + 4)
		return false;
	payload_length = frame_length - 4;
	for (uint8_t k = 0; k < payload_length; k++)
		crc = crc32_update(crc, frame[k]);
	crc = ~crc;
	for (uint8_t k = 0; k < 4; k++) {
		if (frame[payload_length + k] != (uint8_t)crc)
			return false;
		crc >>= 8;
	}
	return frame[0] == PROTOCOL_VERSION;
}

bool link_receive(void)
{
	while (rx_tail != rx_head) {
		uint8_t byte = rx_ring[rx_tail];
		rx_tail = (rx_tail + 1) & (RX_SIZE - 1);
		if (byte == 0) {
			if (!started)
				continue;
			bool good = frame_is_good();
			decoder_restart();
			if (good)
				return true;
			bad_frames++;
			return false; /* back to the main loop between frames, good or bad */
		}
		started = true;
		if (block_left) {
			keep(byte);
			block_left--;
		} else {
			if (zero_due)
				keep(0);
			block_left = byte - 1;
			zero_due = byte != 255;
		}
	}
	return false;
}

uint8_t link_type(void)
{
	return frame[1];
}

uint8_t link_sequence(void)
{
	return frame[2];
}

const uint8_t *link_body(void)
{
	return frame + HEADER;
}

uint8_t link_body_length(void)
{
	return payload_length - HEADER;
}

uint8_t link_bad_frames(void)
{
	return bad_frames;
}

static uint8_t tx_room(void)
{
	return (uint8_t)(tx_tail - tx_head - 1);
}

static void put(uint8_t byte)
{
	tx_ring[tx_head] = byte;
	tx_head++;
}

void link_send(uint8_t type, uint8_t sequence, const void *body, uint8_t length)
{
	uint8_t out[LONGEST], n = 0;
	uint32_t crc = ~0UL;

	out[n++] = PROTOCOL_VERSION;
	out[n++] = type;
	out[n++] = sequence;
	for (uint8_t k = 0; k < length; k++)
		out[n++] = ((const uint8_t *)body)[k];
	for (uint8_t k = 0; k < n; k++)
		crc = crc32_update(crc, out[k]);
	crc = ~crc;
	for (uint8_t k = 0; k < 4; k++) {
		out[n++] = (uint8_t)crc;
		crc >>= 8;
	}
	while (tx_room() < n + 2)
		;
	/* COBS: no block can reach 254 bytes here, so each ends at a zero or at the end */
	for (uint8_t k = 0; k <= n; k++) {
		uint8_t run = 0;
		while (k + run < n && out[k + run])
			run++;
		put(run + 1);
		for (uint8_t j = 0; j < run; j++)
			put(out[k + j]);
		k += run;
	}
	put(0);
	ATOMIC_BLOCK(ATOMIC_RESTORESTATE) UCSR0B |= _BV(UDRIE0);
}
