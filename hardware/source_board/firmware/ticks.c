#include "ticks.h"

#include <avr/interrupt.h>
#include <avr/io.h>
#include <util/atomic.h>

#include "state.h"

static volatile uint32_t overflows;

static uint64_t join(uint16_t low, uint32_t middle)
{
	union {
		uint16_t word[4];
		uint64_t all;
	} u = { { low, (uint16_t)middle, (uint16_t)(middle >> 16), 0 } };
	return u.all;
}

void ticks_init(void)
{
	TCCR1B = _BV(CS11); /* normal mode, 16 MHz / 8 */
	TIMSK1 = _BV(TOIE1);
}

ISR(TIMER1_OVF_vect)
{
	overflows++;
	state_compare_clocks();
}

uint16_t coarse_ticks(void)
{
	uint16_t low = TCNT1, high = (uint16_t)overflows;

	if ((TIFR1 & _BV(TOV1)) && low < 0x8000)
		high++;
	return (uint16_t)(high << 4 | low >> 12);
}

uint64_t tick_now(void)
{
	uint16_t low;
	uint32_t high;
	ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {
		low = TCNT1;
		high = overflows;
		if ((TIFR1 & _BV(TOV1)) && low < 0x8000)
			high++;
	}
	return join(low, high);
}
