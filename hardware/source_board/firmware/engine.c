#include "engine.h"

#include <avr/interrupt.h>
#include <avr/io.h>
#include <util/atomic.h>

#include "board.h"
#include "limits.h"
#include "measure.h"
#include "samples.h"
#include "state.h"
#include "ticks.h"

#define LONGEST_WAIT 16384U /* in one go: comparisons of 16-bit times stay unambiguous, the stall check stays quick */
#define HOP_TICKS    8192U  /* a longer wait is cut into these, so that what is left is never short */
#define MIN_NOTICE   16     /* ticks: a compare value closer than this cannot be set safely any more */
#define RISE_EARLY   100    /* ticks before a rising edge that it is prepared, and waited for */
#define RISE_SPARE   40     /* ticks that an interrupt on the way there must be able to use up */
#define FAR_TICKS    60000U
#define STEADY_TICKS 200    /* after an edge the sense filters need 0.1 ms (square, coded) */
#define MODULATED_STEADY_TICKS 60 /* within the short pulses of `sine`: 30 us, enough for filters of 10 us */
#define SAMPLE_TICKS 40     /* the converter holds its input 12 us after the start */
#define START_EARLY  200    /* ticks before a period's start that its first edge is prepared */

enum event { EVENT_CLAMP_PROVEN, EVENT_DRIVE_OPEN, EVENT_RELAYS_PROVEN, EVENT_START, EVENT_ON, EVENT_END,
             EVENT_BLANK_MIDDLE };

volatile uint8_t engine_age_ms;

/* Set while off, constant while on. */
static uint8_t blank_periods;
static volatile uint8_t electrode, wanted_electrode;
static bool ten_volts;

/* The engine's place in the waveform; touched only with interrupts off. Positions are ticks since the period's start. */
static bool running;
static uint8_t segment;
static uint32_t segment_start, here, target, pulse_end;
static uint16_t last_match, step; /* timer value at `here`; ticks from there to the prepared interrupt */
static uint8_t next_event;
static uint16_t rise_at, fall_at;
static bool hopping, negative, pin_high, joins_next;
static bool rising, rose; /* the interrupt comes RISE_EARLY before the edge; the edge has been waited for */
static volatile uint8_t proof;
static uint32_t cycles, cycle_tick_low;
static uint16_t cycle_tick_high;
static bool in_blank, switched;
static uint64_t switched_at;

static uint64_t cycle_tick(void)
{
	union split_tick u = { { cycle_tick_low, cycle_tick_high, 0 } };
	return u.all;
}

void engine_init(void)
{
	engine_stop();
	ticks_init();
}

void engine_configure(const struct configuration *c)
{
	plan_period(c);
	blank_periods = plan.period < BLANK_TICKS ? 2 : 1;
	ten_volts = c->current_limit_uA > LOW_RANGE_UA;
	electrode = wanted_electrode = c->electrode;
}

void engine_stop(void)
{
	ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {
		outputs_off();
		running = false;
		rising = false;
		proof = PROOF_NONE;
		pin_high = false;
		electrode = wanted_electrode;
	}
}

/* The rising edge is so near that its place cannot be told by an interrupt: the compare unit is set for it and waited
 * for here, so that nothing stands prepared to raise a pin while the program is elsewhere. Whoever calls arm() looks at
 * `rose` and goes on to the pulse's end at once. */
static void wait_for_rise(uint16_t when)
{
	uint8_t flag = negative ? _BV(OCF1B) : _BV(OCF1A);
	uint8_t turns = 255;

	if (negative)
		OCR1B = when;
	else
		OCR1A = when;
	TIFR1 = flag;
	TCCR1A = negative ? _BV(COM1B1) | _BV(COM1B0) : _BV(COM1A1) | _BV(COM1A0);
	if ((uint16_t)(when - TCNT1) > RISE_EARLY + RISE_SPARE + MIN_NOTICE) /* passed already */
		turns = 0;
	/* The other handlers are short and need not wait with us; this one's own interrupt is off, and so is the converter's,
	 * which would hold up the end of a short pulse. */
	uint8_t converter = ADCSRA & _BV(ADIE);
	ADCSRA &= (uint8_t)~(_BV(ADIE) | _BV(ADIF)); /* writing the flag as one would clear it */
	sei();
	while (turns && !(TIFR1 & flag))
		turns--;
	cli();
	ADCSRA = (uint8_t)((ADCSRA & ~_BV(ADIF)) | converter);
	if (!running) /* one of them has tripped */
		return;
	if (!turns) {
		trip(TRIP_ENGINE_STALLED);
		return;
	}
	last_match = when;
	rising = false;
	rose = true;
}

/* Prepares the interrupt at `target`. A pin that is high is always told to fall, at the pulse's end and never later than
 * 30 ms: should the code die, the hardware ends the pulse. A pin that is low is told to rise only at the last moment,
 * by a handler that stays until it has. What only marks time runs on the unit whose pin is disconnected. */
static void arm(void)
{
	uint32_t left = target - here;
	uint16_t gone = TCNT1 - last_match;
	bool on_b = negative;

	hopping = left > LONGEST_WAIT;
	step = hopping ? HOP_TICKS : (uint16_t)left;
	rising = false;
	if (!hopping && next_event == EVENT_ON) {
		if (step < MIN_NOTICE || gone > step - MIN_NOTICE) {
			trip(TRIP_ENGINE_STALLED);
			return;
		}
		if (step - gone <= RISE_EARLY + RISE_SPARE) {
			TIMSK1 = _BV(TOIE1);
			wait_for_rise(last_match + step);
			return;
		}
		step -= RISE_EARLY;
		rising = true;
	}
	if (step < MIN_NOTICE || gone > step - MIN_NOTICE) {
		trip(TRIP_ENGINE_STALLED);
		return;
	}
	uint16_t when = last_match + step;
	if (pin_high) {
		uint32_t fall = pulse_end - here;
		fall_at = last_match + (fall > FAR_TICKS ? FAR_TICKS : (uint16_t)fall);
		if (negative) {
			TCCR1A = _BV(COM1B1);
			OCR1B = fall_at;
		} else {
			TCCR1A = _BV(COM1A1);
			OCR1A = fall_at;
		}
		if (hopping || joins_next) {
			on_b = !negative;
			if (on_b)
				OCR1B = when;
			else
				OCR1A = when;
		}
	} else {
		TCCR1A = 0;
		if (on_b)
			OCR1B = when;
		else
			OCR1A = when;
	}
	TIFR1 = on_b ? _BV(OCF1B) : _BV(OCF1A);
	TIMSK1 = _BV(TOIE1) | (on_b ? _BV(OCIE1B) : _BV(OCIE1A));
}

/* The pin is low: prepare the next rising edge. */
static void arm_on(void)
{
	negative = segment_is_negative(segment);
	if (plan.waveform == WAVEFORM_SINE) {
		uint8_t slot = segment & (SINE_SLOTS / 2 - 1);
		target = segment_start + plan.pulse_lead[slot];
		pulse_end = target + plan.pulse_width[slot];
	} else {
		target = segment_start + DEAD_TICKS / 2;
	}
	next_event = EVENT_ON;
	arm();
}

/* The pin is high: prepare the end of the segment. Chips of one polarity follow each other without an edge. */
static void arm_end(void)
{
	joins_next = segment_joins_next(segment);
	target = joins_next ? segment_start + plan.segment_ticks : pulse_end;
	next_event = EVENT_END;
	arm();
}

static void arm_silence(uint32_t until, uint8_t event)
{
	negative = false;
	target = until;
	next_event = event;
	arm();
}

/* How far the pulse that has just begun goes: to the last segment that joins. */
static void find_pulse_end(void)
{
	uint8_t k = segment;
	uint32_t end = segment_start + plan.segment_ticks;

	while (segment_joins_next(k)) {
		k++;
		end += plan.segment_ticks;
	}
	pulse_end = end - DEAD_TICKS / 2;
}

static void advance_cycle(void)
{
	cycles++;
	cycle_tick_low += plan.period;
	if (cycle_tick_low < plan.period)
		cycle_tick_high++;
}

static void period_ended(void)
{
	segment = 0;
	segment_start = 0;
	here -= plan.period; /* just before the boundary: differences stay right modulo 2^32 */
	if (wanted_electrode != electrode) {
		/* Break before make, in one silent stretch of whole periods. */
		open_electrodes();
		in_blank = true;
		arm_silence(plan.period * blank_periods / 2, EVENT_BLANK_MIDDLE);
	} else {
		arm_on();
	}
	advance_cycle();
}

static void segment_ended(void)
{
	bool half_ended = segment_ends_half(segment);
	bool was_negative = negative;

	segment++;
	segment_start += plan.segment_ticks;
	if (joins_next) {
		arm_end();
	} else {
		pin_high = false;
		if (segment == plan.segments)
			period_ended();
		else
			arm_on();
	}
	if (half_ended)
		samples_half_ended(was_negative);
}

static void blank_middle(void)
{
	electrode = wanted_electrode;
	close_electrode(electrode);
	arm_silence(plan.period * blank_periods - START_EARLY, EVENT_START);
	for (uint8_t k = 0; k < blank_periods; k++)
		advance_cycle();
	in_blank = false;
	switched = true;
	switched_at = cycle_tick();
}

static void take_event(void)
{
	switch (next_event) {
	case EVENT_CLAMP_PROVEN:
		PORTB &= (uint8_t)~OUT_CLAMP_TEST;
		if (!ten_volts)
			PORTB &= (uint8_t)~OUT_TEN_VOLTS;
		proof = PROOF_SETTLING;
		measure_clamp_tried();
		if (running)
			arm_silence(PROVE_RELAYS, EVENT_DRIVE_OPEN);
		break;
	case EVENT_DRIVE_OPEN:
		/* The compare units let go of their pins: the port drives. Both relays are open. */
		proof = PROOF_RELAYS;
		PORTB |= DRIVE_POSITIVE;
		arm_silence(CLOSE_RELAY, EVENT_RELAYS_PROVEN);
		break;
	case EVENT_RELAYS_PROVEN:
		PORTB &= (uint8_t)~DRIVE_POSITIVE;
		proof = PROOF_NONE;
		close_electrode(electrode);
		arm_silence(SETTLE_TICKS - START_EARLY, EVENT_START);
		break;
	case EVENT_START:
		here = -(uint32_t)START_EARLY;
		arm_on();
		break;
	case EVENT_ON:
		pin_high = true;
		rise_at = last_match;
		if (segment == 0)
			PORTB |= OUT_SYNC;
		if (plan.waveform != WAVEFORM_SINE)
			find_pulse_end();
		arm_end();
		break;
	case EVENT_END:
		PORTB &= (uint8_t)~OUT_SYNC;
		segment_ended();
		break;
	case EVENT_BLANK_MIDDLE:
		blank_middle();
		break;
	}
}

static void engine_event(void)
{
	here += step;
	engine_age_ms = 0;
	alive |= ALIVE_ENGINE;
	rose = false;
	if (hopping || rising) {
		arm();
	} else {
		take_event();
	}
	while (rose) {
		rose = false;
		here = target;
		take_event();
	}
}

ISR(TIMER1_COMPA_vect)
{
	last_match = OCR1A;
	engine_event();
}

ISR(TIMER1_COMPB_vect)
{
	last_match = OCR1B;
	engine_event();
}

void engine_start(void)
{
	union split_tick first = { .all = tick_now() + SETTLE_TICKS };

	cycles = 0;
	cycle_tick_low = first.part.low;
	cycle_tick_high = first.part.high;
	segment = 0;
	segment_start = 0;
	here = 0;
	pin_high = false;
	joins_next = false;
	switched = false;
	in_blank = false;
	engine_age_ms = 0;
	running = true;
	electrode = wanted_electrode;
	proof = PROOF_CLAMP;
	outputs_start();
	last_match = (uint16_t)first.part.low - (uint16_t)SETTLE_TICKS;
	arm_silence(PROVE_CLAMP, EVENT_CLAMP_PROVEN);
}

uint64_t engine_select(uint8_t which)
{
	uint64_t from = 0;
	ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {
		wanted_electrode = which;
		if (!running) {
			electrode = which;
		} else {
			from = cycle_tick();
			if (in_blank)
				from += (uint32_t)blank_periods * plan.period;
			else if (which != electrode)
				from += (uint32_t)(blank_periods + 1) * plan.period;
		}
	}
	return from;
}

bool engine_steady(void)
{
	uint16_t now = TCNT1;
	uint16_t settle = plan.waveform == WAVEFORM_SINE ? MODULATED_STEADY_TICKS : STEADY_TICKS;
	uint16_t left = fall_at - now;

	/* Never more than FAR_TICKS ahead: beyond that it has fallen already and its interrupt is still to come. */
	return pin_high && (uint16_t)(now - rise_at) >= settle && left >= SAMPLE_TICKS && left <= FAR_TICKS;
}

uint8_t engine_electrode(void)
{
	return electrode;
}

bool engine_switched(uint64_t *tick)
{
	bool did;
	ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {
		did = switched;
		switched = false;
		*tick = switched_at;
	}
	return did;
}

void engine_position(uint32_t *count, uint64_t *tick)
{
	ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {
		*count = cycles;
		*tick = cycle_tick();
	}
}

enum proof engine_proof(void)
{
	return proof;
}

bool engine_ten_volts(void)
{
	return ten_volts;
}

/* In interrupts. A bit of a port that has turned over is a trip; directions are put right without one. */
void engine_guard(void)
{
	if (!running || !outputs_are_as_set(proof))
		trip(TRIP_SELF_TEST);
}

void engine_stay_off(void)
{
	if (running || !outputs_are_off())
		engine_stop();
}
