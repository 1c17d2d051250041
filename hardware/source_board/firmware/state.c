#include "state.h"

#include <avr/interrupt.h>
#include <avr/io.h>
#include <util/atomic.h>

#include "board.h"
#include "engine.h"
#include "limits.h"
#include "measure.h"

volatile uint8_t state = STATE_OFF;
volatile uint8_t trip_cause = TRIP_NONE;
volatile uint8_t alive;

static volatile uint16_t now_ms;
static volatile uint16_t beat_left_ms;
static volatile uint8_t stop_low_ms, enable_low_ms, button_low_ms, button_high_ms;
static volatile bool enable_seen_released, button_armed, button_event;
static uint64_t tripped_at;
static bool damaged;

void state_init(void)
{
	/* 1 kHz: 16 MHz / 64 / 250 */
	TCCR0A = _BV(WGM01);
	OCR0A = 249;
	TCCR0B = _BV(CS01) | _BV(CS00);
	TIMSK0 = _BV(OCIE0A);
	/* Until proven otherwise the permissives are missing. */
	stop_low_ms = STOP_FILTER_MS;
	enable_low_ms = ENABLE_FILTER_MS;
}

void trip(uint8_t cause)
{
	ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {
		engine_stop();
		if (state != STATE_TRIPPED) {
			if (state == STATE_ENERGISED)
				enable_seen_released = false;
			state = STATE_TRIPPED;
			trip_cause = cause;
			tripped_at = tick_now();
		}
	}
}

uint64_t trip_tick(void)
{
	uint64_t tick;
	ATOMIC_BLOCK(ATOMIC_RESTORESTATE) tick = tripped_at;
	return tick;
}

/* One millisecond: permissives, dead-man, and the age of everything that must keep running. */
ISR(TIMER0_COMPA_vect)
{
	uint8_t in = PIND;

	now_ms++;
	alive |= ALIVE_TICK;

	if (in & IN_STOP_CLOSED) {
		stop_low_ms = 0;
	} else if (stop_low_ms < STOP_FILTER_MS && ++stop_low_ms == STOP_FILTER_MS) {
		trip(TRIP_EMERGENCY_STOP);
	}

	if (in & IN_ENABLE_HELD) {
		enable_low_ms = 0;
	} else if (enable_low_ms < RELEASE_MS) {
		enable_low_ms++;
		if (enable_low_ms == ENABLE_FILTER_MS && state == STATE_ENERGISED)
			trip(TRIP_ENABLE_RELEASED);
		if (enable_low_ms == RELEASE_MS)
			enable_seen_released = true;
	}

	/* The button counts at the moment it goes down, and only after it was seen up: a stuck one does nothing. */
	if (in & IN_RESET_BUTTON) {
		button_low_ms = 0;
		if (button_high_ms < BUTTON_MS)
			button_high_ms++;
		else
			button_armed = true;
	} else {
		button_high_ms = 0;
		if (button_low_ms < BUTTON_MS && ++button_low_ms == BUTTON_MS && button_armed) {
			button_armed = false;
			button_event = true;
		}
	}

	if (beat_left_ms && !--beat_left_ms && (state == STATE_ARMED || state == STATE_ENERGISED))
		trip(TRIP_HEARTBEAT_LOST);

	if (converter_age_ms < 255)
		converter_age_ms++;
	if (converter_age_ms >= CONVERTER_MAX_AGE_MS && (state == STATE_ARMED || state == STATE_ENERGISED))
		trip(TRIP_DISAGREEMENT);
	if (state == STATE_ENERGISED) {
		if (++engine_age_ms >= ENGINE_MAX_AGE_MS)
			trip(TRIP_ENGINE_STALLED);
	} else {
		alive |= ALIVE_ENGINE;
	}
}

void heartbeat_received(void)
{
	/* One more than the dead-man: the next tick may come at once. */
	ATOMIC_BLOCK(ATOMIC_RESTORESTATE) beat_left_ms = DEADMAN_MS + 1;
}

bool heartbeat_fresh(void)
{
	bool fresh;
	ATOMIC_BLOCK(ATOMIC_RESTORESTATE) fresh = beat_left_ms != 0;
	return fresh;
}

bool stop_closed(void)
{
	return stop_low_ms < STOP_FILTER_MS && (PIND & IN_STOP_CLOSED);
}

bool enable_held(void)
{
	return enable_low_ms < ENABLE_FILTER_MS;
}

bool enable_was_released(void)
{
	return enable_seen_released;
}

bool enter_armed(void)
{
	bool done = false;
	ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {
		if ((state == STATE_OFF || state == STATE_ARMED) && stop_closed() && beat_left_ms) {
			state = STATE_ARMED;
			done = true;
		}
	}
	return done;
}

bool enter_energised(void)
{
	bool done = false;
	ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {
		if (state == STATE_ARMED && stop_closed() && enable_held() && enable_seen_released && beat_left_ms) {
			measure_start();
			state = STATE_ENERGISED;
			engine_start();
			done = state == STATE_ENERGISED;
		}
	}
	return done;
}

void enter_off(void)
{
	ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {
		engine_stop();
		if (state == STATE_ENERGISED)
			enable_seen_released = false;
		if (state != STATE_TRIPPED)
			state = STATE_OFF;
	}
}

bool reset_button_pressed(void)
{
	bool pressed;
	ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {
		pressed = button_event;
		button_event = false;
	}
	return pressed;
}

void forbid_clearing(void)
{
	damaged = true;
}

bool clear_trip(void)
{
	bool done = false;
	ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {
		if (state == STATE_TRIPPED && !damaged && !enable_held() && stop_closed()) {
			engine_stop();
			measure_forget_faults();
			state = STATE_OFF;
			trip_cause = TRIP_NONE;
			done = true;
		}
	}
	return done;
}

uint16_t milliseconds(void)
{
	uint16_t ms;
	ATOMIC_BLOCK(ATOMIC_RESTORESTATE) ms = now_ms;
	return ms;
}
