/* What the board knows about its own reset and its own memory. */
#ifndef SELFCHECK_H
#define SELFCHECK_H

#include <stdbool.h>
#include <stdint.h>

extern uint8_t reset_cause; /* MCUSR as found: bit 0 power-on, 1 external, 2 brown-out, 3 watchdog */

uint16_t boot_count(void);        /* counts this boot in EEPROM and returns it; call once */
bool flash_is_intact(void);       /* CRC-32 over the program, placed behind it by the build */
bool fuses_are_right(void);       /* brown-out and watchdog hang on them; an unprogrammed chip runs at 1 MHz */
bool registers_are_right(void);   /* directions, timers, line, watchdog: as set; puts them right where not */
bool stack_has_room(void);        /* nothing ever reached the end of the variables */

#endif
