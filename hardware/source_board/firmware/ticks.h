/* Time: Timer 1 runs free at 2 MHz, its overflows are counted, and both together never go back. */
#ifndef TICKS_H
#define TICKS_H

#include <stdint.h>

#define TICK_HZ (F_CPU / 8)

void ticks_init(void);
uint64_t tick_now(void);
uint16_t coarse_ticks(void); /* the tick counter in units of 2.048 ms; interrupts must be off */

/* 64 bits by their parts: a shift of that width is a slow loop on this chip, and this runs with interrupts off. */
union split_tick {
	struct {
		uint32_t low;
		uint16_t high, none;
	} part;
	uint64_t all;
};

#endif
