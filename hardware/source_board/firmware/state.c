#include "state.h"

#include <avr/eeprom.h>
#include <avr/interrupt.h>
#include <avr/io.h>
#include <util/atomic.h>

#include "board.h"
#include "engine.h"
#include "guarded.h"
#include "limits.h"
#include "measure.h"
#include "samples.h"
#include "selfcheck.h"
#include "ticks.h"

/* Any two differ in four bits; kept with their complement (guarded.h). */
#define CODE_OFF       0x33
#define CODE_ARMED     0x55
#define CODE_ENERGISED 0x99
#define CODE_TRIPPED   0xF0
/* What `latch` holds while no trip is latched. Every other value, and every flipped bit of it, is a latched trip. */
#define UNLATCHED 0xC35A
/* `release` while the button's press waits to be answered. */
#define PRESSED   0x6E19
/* What the EEPROM's cell holds without a trip, which is what an erased cell reads too; else cause and its complement. */
#define CELL_CLEAR 0xFF

volatile uint8_t alive;

static struct guarded8 code = { CODE_TRIPPED, (uint8_t)~CODE_TRIPPED }, cause = { TRIP_NONE, 0xFF };
static struct guarded16 latch = { UNLATCHED, (uint16_t)~UNLATCHED };
static volatile uint16_t release;
static volatile uint16_t now_ms;
static struct guarded16 beat_left_ms = { 0, 0xFFFF }, beat_at;
static volatile uint8_t stop_low_ms, enable_low_ms, button_low_ms, button_high_ms;
static volatile bool stop_seen_closed, button_armed;
/* The enable was seen released: a code, not a flag, so that no single bit says so. */
#define SEEN 0xA6
static volatile uint8_t enable_seen_released;
static volatile uint16_t compared_ms;
static volatile uint8_t compare_skip = 2;
static uint64_t tripped_at;
static bool damaged;
static uint8_t EEMEM cell;

void state_init(void)
{
	/* 1 kHz: 16 MHz / 64 / 250. selfcheck.c holds these settings against what is there. */
	TCCR0A = _BV(WGM01);
	OCR0A = 249;
	TCCR0B = _BV(CS01) | _BV(CS00);
	TIMSK0 = _BV(OCIE0A);
	/* Until proven otherwise the permissives are missing. */
	stop_low_ms = STOP_FILTER_MS;
	enable_low_ms = ENABLE_FILTER_MS;
	guarded8_set(&code, CODE_OFF);
}

static uint8_t cell_for(uint8_t trip)
{
	return trip == TRIP_NONE ? CELL_CLEAR : (uint8_t)(trip << 4 | (~trip & 15));
}

/* Starts the write if none is running and returns; the main loop goes on until the cell is right. A trip is written over
 * an erased cell without erasing it again: power that goes meanwhile leaves some of its zeros, never a clear cell. */
static void cell_write(uint8_t value, uint8_t how)
{
	if (EECR & _BV(EEPE))
		return;
	EEAR = (uint16_t)&cell;
	EEDR = value;
	EECR = how;
	EECR = how | _BV(EEMPE);
	EECR = how | _BV(EEMPE) | _BV(EEPE);
}
#define HOW_ERASE _BV(EEPM0)
#define HOW_WRITE _BV(EEPM1)
#define HOW_BOTH  0

uint8_t latched_trip(void)
{
	uint8_t value = eeprom_read_byte(&cell);

	if (value == CELL_CLEAR)
		return TRIP_NONE;
	if ((value >> 4) != (~value & 15) || value >> 4 == TRIP_NONE || value >> 4 > TRIP_ENGINE_STALLED)
		return TRIP_SELF_TEST; /* written half or flipped: something had been latched */
	return value >> 4;
}

void trip(uint8_t why)
{
	ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {
		engine_stop();
		/* Latched before anything else is looked at: whatever the state says, it is a trip from here on. */
		bool first = latch.value == UNLATCHED && guarded16_sound(&latch);
		guarded16_set(&latch, 0);
		release = 0;
		if (code.value == CODE_ENERGISED)
			enable_seen_released = 0;
		guarded8_set(&code, CODE_TRIPPED);
		if (first || !guarded8_sound(&cause)) {
			guarded8_set(&cause, first ? why : TRIP_SELF_TEST);
			tripped_at = tick_now();
		}
		cell_write(cell_for(cause.value), HOW_WRITE);
	}
}

uint8_t board_state(void)
{
	uint8_t found = STATE_TRIPPED;
	ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {
		bool sound = guarded8_sound(&code) && guarded16_sound(&latch);
		bool latched = latch.value != UNLATCHED;
		if (code.value == CODE_OFF)
			found = STATE_OFF;
		else if (code.value == CODE_ARMED)
			found = STATE_ARMED;
		else if (code.value == CODE_ENERGISED)
			found = STATE_ENERGISED;
		else
			sound = sound && code.value == CODE_TRIPPED;
		if (!sound || latched != (found == STATE_TRIPPED)) {
			trip(TRIP_SELF_TEST);
			found = STATE_TRIPPED;
		}
	}
	return found;
}

uint8_t trip_cause(void)
{
	uint8_t found = TRIP_NONE;
	ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {
		if (board_state() == STATE_TRIPPED)
			found = guarded8_sound(&cause) && cause.value ? cause.value : TRIP_SELF_TEST;
	}
	return found;
}

uint64_t trip_tick(void)
{
	uint64_t tick;
	ATOMIC_BLOCK(ATOMIC_RESTORESTATE) tick = tripped_at;
	return tick;
}

static void look_at_stop(uint8_t in, bool live)
{
	if (in & IN_STOP_CLOSED) {
		stop_low_ms = 0;
		stop_seen_closed = true;
		return;
	}
	if (stop_low_ms < STOP_FILTER_MS)
		stop_low_ms++;
	if (stop_low_ms >= STOP_FILTER_MS && (live || stop_seen_closed)) {
		stop_seen_closed = false;
		trip(TRIP_EMERGENCY_STOP);
	}
}

static void look_at_enable(uint8_t in, bool on)
{
	if (in & IN_ENABLE_HELD) {
		enable_low_ms = 0;
		return;
	}
	if (enable_low_ms < RELEASE_MS)
		enable_low_ms++;
	if (enable_low_ms >= ENABLE_FILTER_MS && on)
		trip(TRIP_ENABLE_RELEASED);
	else if (enable_low_ms >= RELEASE_MS)
		enable_seen_released = SEEN;
}

/* The button counts at the moment it goes down, and only after it was seen up: a stuck one does nothing. */
static void look_at_button(uint8_t in)
{
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
			release = PRESSED;
		}
	}
}

/* One millisecond: permissives, dead-man, and the age of everything that must keep running. */
ISR(TIMER0_COMPA_vect)
{
	uint8_t in = PIND, at = board_state();
	bool live = at == STATE_ARMED || at == STATE_ENERGISED;

	now_ms++;
	alive |= ALIVE_TICK;
	look_at_stop(in, live);
	look_at_enable(in, at == STATE_ENERGISED);
	look_at_button(in);

	if (!guarded16_sound(&beat_left_ms))
		guarded16_set(&beat_left_ms, 0);
	else if (beat_left_ms.value)
		guarded16_set(&beat_left_ms, beat_left_ms.value > DEADMAN_MS ? DEADMAN_MS : beat_left_ms.value - 1);
	if (!beat_left_ms.value && live)
		trip(TRIP_HEARTBEAT_LOST);

	if (converter_age_ms < 255)
		converter_age_ms++;
	if (converter_age_ms >= CONVERTER_MAX_AGE_MS && live)
		trip(TRIP_DISAGREEMENT);
	if (at == STATE_ENERGISED) {
		if (++engine_age_ms >= ENGINE_MAX_AGE_MS)
			trip(TRIP_ENGINE_STALLED);
		engine_guard();
	} else {
		alive |= ALIVE_ENGINE;
		engine_stay_off();
	}
}

/* In interrupts. */
void state_compare_clocks(void)
{
	uint16_t passed = now_ms - compared_ms;

	compared_ms = now_ms;
	if (compare_skip)
		compare_skip--;
	else if (passed < 31 || passed > 35)
		trip(TRIP_SELF_TEST);
}

void heartbeat_received(void)
{
	/* One more than the dead-man: the next tick may come at once. */
	ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {
		guarded16_set(&beat_left_ms, DEADMAN_MS + 1);
		guarded16_set(&beat_at, coarse_ticks());
	}
}

/* In interrupts. Units of 2.048 ms: one more than the dead-man by the millisecond, which names it first. */
void heartbeat_second_look(uint16_t coarse_now)
{
	uint8_t at = board_state();

	if (at != STATE_ARMED && at != STATE_ENERGISED)
		return;
	if (!guarded16_sound(&beat_at) || (uint16_t)(coarse_now - beat_at.value) > DEADMAN_MS * 1000UL / 2048 + 2)
		trip(TRIP_HEARTBEAT_LOST);
}

bool heartbeat_fresh(void)
{
	bool fresh;
	ATOMIC_BLOCK(ATOMIC_RESTORESTATE) fresh = guarded16_sound(&beat_left_ms) && beat_left_ms.value != 0;
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
	return enable_seen_released == SEEN;
}

bool enter_armed(void)
{
	bool done = false;
	ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {
		uint8_t at = board_state();
		if ((at == STATE_OFF || at == STATE_ARMED) && stop_closed() && heartbeat_fresh()) {
			guarded8_set(&code, CODE_ARMED);
			done = true;
		}
	}
	return done;
}

bool enter_energised(void)
{
	bool done = false;
	ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {
		if (board_state() == STATE_ARMED && stop_closed() && enable_held() && enable_was_released()
		    && heartbeat_fresh()) {
			measure_start();
			guarded8_set(&code, CODE_ENERGISED);
			engine_start();
			done = board_state() == STATE_ENERGISED;
		}
	}
	return done;
}

void enter_off(void)
{
	ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {
		uint8_t at = board_state();
		engine_stop();
		if (at == STATE_ENERGISED)
			enable_seen_released = 0;
		if (at != STATE_TRIPPED)
			guarded8_set(&code, CODE_OFF);
	}
}

bool reset_button_pressed(void)
{
	return release == PRESSED;
}

void forbid_clearing(void)
{
	damaged = true;
}

bool clear_trip(void)
{
	bool done = false;
	ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {
		if (board_state() == STATE_TRIPPED && !damaged && !enable_held() && stop_closed()) {
			engine_stop();
			measure_forget_faults();
			/* Made of the press itself: a program that lands in here without one does not make the right value. */
			guarded16_set(&latch, (UNLATCHED ^ PRESSED) ^ release);
			guarded8_set(&cause, TRIP_NONE);
			guarded8_set(&code, CODE_OFF);
			done = board_state() == STATE_OFF;
		}
		release = 0;
	}
	return done;
}

void state_poll(void)
{
	uint8_t want = cell_for(trip_cause());

	ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {
		uint8_t is = EECR & _BV(EEPE) ? want : eeprom_read_byte(&cell);
		if (is != want)
			cell_write(want, want == CELL_CLEAR ? HOW_ERASE : (is & want) == want ? HOW_WRITE : HOW_BOTH);
	}
}

uint16_t milliseconds(void)
{
	uint16_t ms;
	ATOMIC_BLOCK(ATOMIC_RESTORESTATE) ms = now_ms;
	return ms;
}
