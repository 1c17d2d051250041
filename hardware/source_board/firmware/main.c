/* Source board firmware: start-up and the main loop. The safety argument in order of speed:
 *
 * 1. The output stage holds 20 mA and 12.4 V whatever this chip does (hardware/source_board/output_stage).
 * 2. Converter interrupt: over-current and over-voltage within two samples (0.4 ms), current while off.
 * 3. Millisecond interrupt: emergency stop, enable, dead-man, converter and engine still running.
 * 4. Main loop: halves that disagree with the command or with each other, battery, temperature, reference, registers.
 * 5. Watchdog, 30 ms: fed only here, and only when 2, 3 and the engine have run since.
 * Every one of them ends in trip(): outputs off, cause latched (in EEPROM too), cleared by the board's own button alone.
 */
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/sleep.h>
#include <avr/wdt.h>

#include "board.h"
#include "engine.h"
#include "link.h"
#include "measure.h"
#include "requests.h"
#include "selfcheck.h"
#include "state.h"

#define TELEMETRY_MS 100

int main(void)
{
	uint8_t latched = latched_trip();
	uint16_t boots = boot_count();
	bool intact = flash_is_intact() && fuses_are_right();

	engine_init();
	state_init();
	measure_init();
	link_init();
	requests_init(boots);
	if (!intact)
		forbid_clearing();
	if (!intact || (reset_cause & _BV(BORF)))
		trip(TRIP_SELF_TEST);
	else if (latched != TRIP_NONE)
		trip(latched);
	else if (reset_cause & _BV(WDRF))
		trip(TRIP_WATCHDOG);
	else if (!reset_cause) /* no reset at all: the program ran into its own beginning */
		trip(TRIP_SELF_TEST);
	wdt_enable(WDTO_30MS);
	sei();
	requests_announce();

	uint16_t telemetry_ms = milliseconds(), alive_ms = telemetry_ms;
	for (;;) {
		if (alive == (ALIVE_TICK | ALIVE_CONVERTER | ALIVE_ENGINE)) {
			alive = 0;
			wdt_reset();
		}
		if (link_receive())
			requests_answer();
		measure_poll(requests_waveform() == WAVEFORM_SINE);
		if (!stack_has_room() || !registers_are_right())
			trip(TRIP_SELF_TEST);
		state_poll();
		if (reset_button_pressed())
			requests_button();
		requests_events();

		uint16_t ms = milliseconds();
		if (ms != alive_ms) {
			alive_ms = ms;
			if (board_state() == STATE_ENERGISED)
				PINC = OUT_ALIVE; /* writing a one to PIN toggles */
		}
		if ((uint16_t)(ms - telemetry_ms) >= TELEMETRY_MS) {
			telemetry_ms += TELEMETRY_MS;
			measure_publish();
			requests_telemetry();
		}
		sleep_mode(); /* idle: the converter wakes us every 0.1 ms, bytes and ticks do too */
	}
}
