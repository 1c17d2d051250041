#include "selfcheck.h"

#include <avr/boot.h>
#include <avr/eeprom.h>
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/pgmspace.h>
#include <avr/wdt.h>

#include "board.h"
#include "link.h"
#include "state.h"

#define CANARY 0xA5C3

uint8_t reset_cause __attribute__((section(".noinit")));

extern uint8_t __data_load_end[]; /* linker: end of the program image in flash */
extern uint16_t __heap_start;     /* linker: end of the variables; the stack grows down towards it */

/* Before anything else, without a stack frame: outputs driven low, the watchdog tamed (after a watchdog reset it
 * keeps running at its shortest period). Runs ahead of the initialisation of variables. */
void early(void) __attribute__((naked, used, section(".init3")));
void early(void)
{
	PORTB = 0;
	PORTC = 0;
	PORTD = IN_RESET_BUTTON | _BV(PD1); /* pull-up of the button; transmit line idles high */
	DDRB = PORTB_OUTPUTS;
	DDRC = OUT_ALIVE;
	DDRD = PORTD_OUTPUTS | _BV(PD1);
	reset_cause = MCUSR;
	MCUSR = 0;
	wdt_disable();
}

uint16_t boot_count(void)
{
	static uint16_t EEMEM stored;
	uint16_t count = eeprom_read_word(&stored) + 1; /* an erased cell reads 0xffff: the first boot is 0 */

	eeprom_update_word(&stored, count);
	__heap_start = CANARY;
	return count;
}

bool flash_is_intact(void)
{
	uint16_t end = (uint16_t)__data_load_end;
	uint32_t crc = ~0UL;

	for (uint16_t k = 0; k < end; k++)
		crc = crc32_update(crc, pgm_read_byte(k));
	return ~crc == pgm_read_dword(end);
}

bool stack_has_room(void)
{
	return __heap_start == CANARY;
}

bool fuses_are_right(void)
{
	bool right;

	cli();
	right = boot_lock_fuse_bits_get(GET_LOW_FUSE_BITS) == FUSE_LOW
	        && boot_lock_fuse_bits_get(GET_HIGH_FUSE_BITS) == FUSE_HIGH
	        && (boot_lock_fuse_bits_get(GET_EXTENDED_FUSE_BITS) & FUSE_EXTENDED_MASK)
	               == (FUSE_EXTENDED & FUSE_EXTENDED_MASK);
	return right;
}

struct setting {
	volatile uint8_t *at;
	uint8_t mask, value;
};

bool registers_are_right(void)
{
	static const struct setting settings[] PROGMEM = {
		{ &DDRB, 0xFF, PORTB_OUTPUTS },
		{ &DDRC, 0xFF, OUT_ALIVE },
		{ &DDRD, 0xFF, PORTD_OUTPUTS | _BV(PD1) },
		{ &TCCR0A, 0xFF, _BV(WGM01) },
		{ &TCCR0B, 0xFF, _BV(CS01) | _BV(CS00) },
		{ &OCR0A, 0xFF, 249 },
		{ &TIMSK0, 0xFF, _BV(OCIE0A) },
		{ &TCCR1B, 0xFF, _BV(CS11) },
		{ &WDTCSR, _BV(WDE) | _BV(WDIE) | _BV(WDP3) | _BV(WDP2) | _BV(WDP1) | _BV(WDP0), _BV(WDE) | _BV(WDP0) },
	};
	bool right = true;

	for (uint8_t k = 0; k < sizeof settings / sizeof *settings; k++) {
		volatile uint8_t *at = (volatile uint8_t *)pgm_read_word(&settings[k].at);
		uint8_t mask = pgm_read_byte(&settings[k].mask), value = pgm_read_byte(&settings[k].value);
		if ((*at & mask) == value)
			continue;
		right = false;
		if (at == &WDTCSR)
			wdt_enable(WDTO_30MS);
		else
			*at = value;
	}
	return right;
}

/* An interrupt that nobody asked for: something in the chip is not as it was set. */
ISR(BADISR_vect)
{
	trip(TRIP_SELF_TEST);
}
