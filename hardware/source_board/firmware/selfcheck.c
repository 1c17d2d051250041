#include "selfcheck.h"

#include <avr/eeprom.h>
#include <avr/io.h>
#include <avr/pgmspace.h>
#include <avr/wdt.h>

#include "board.h"
#include "link.h"

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
	DDRB = DRIVE_MASK;
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
