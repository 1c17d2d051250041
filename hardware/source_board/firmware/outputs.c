#include "outputs.h"

#include <avr/io.h>

#include "board.h"

#define BOTH_ELECTRODES (OUT_ELECTRODE_A | OUT_ELECTRODE_B)

static uint8_t relay_pins; /* of PORTD, as they must be while energised */

void outputs_off(void)
{
	PORTD &= (uint8_t)~PORTD_OUTPUTS;
	TIMSK1 = _BV(TOIE1);
	TCCR1A = 0; /* the pins show PORTB again: low */
	PORTB &= (uint8_t)~DRIVE_MASK;
	/* The compare latches outlive a disconnection and would show at the next start: force them low, with
	 * the pins as inputs meanwhile (pull-downs outside) and no match due. */
	DDRB &= (uint8_t)~DRIVE_MASK;
	OCR1A = 0;
	OCR1B = 0;
	TCCR1A = _BV(COM1A1) | _BV(COM1B1);
	TCCR1C = _BV(FOC1A) | _BV(FOC1B);
	TCCR1A = 0;
	DDRB |= DRIVE_MASK;
	PORTB &= (uint8_t)~PORTB_OUTPUTS;
	PORTC &= (uint8_t)~OUT_ALIVE;
	relay_pins = 0;
}

void outputs_start(void)
{
	relay_pins = 0;
	PORTB |= OUT_TEN_VOLTS;
	PORTB |= OUT_CLAMP_TEST;
	PORTD |= OUT_BRIDGE;
}

void close_electrode(uint8_t electrode)
{
	relay_pins = electrode == 0 ? OUT_ELECTRODE_A : OUT_ELECTRODE_B;
	PORTD |= relay_pins;
}

void open_electrodes(void)
{
	relay_pins = 0;
	PORTD &= (uint8_t)~BOTH_ELECTRODES;
}

bool outputs_are_as_set(enum proof proof)
{
	uint8_t relays = PORTD & BOTH_ELECTRODES;

	return relays == relay_pins && relays != BOTH_ELECTRODES && (PORTD & OUT_BRIDGE)
	       && (proof == PROOF_RELAYS || !(PORTB & DRIVE_MASK)) && (proof == PROOF_CLAMP || !(PORTB & OUT_CLAMP_TEST));
}

bool outputs_are_off(void)
{
	return !(PORTD & PORTD_OUTPUTS) && !(PORTB & PORTB_OUTPUTS) && !(TCCR1A & (uint8_t)~0x0F);
}
