/* The board's state machine, its latched trip and the millisecond tick that guards it. */
#ifndef STATE_H
#define STATE_H

#include <stdbool.h>
#include <stdint.h>

/* As the protocol numbers them. */
enum state { STATE_OFF, STATE_ARMED, STATE_ENERGISED, STATE_TRIPPED };

enum trip {
	TRIP_NONE,
	TRIP_OVER_CURRENT,
	TRIP_OVER_VOLTAGE,
	TRIP_HEARTBEAT_LOST,
	TRIP_EMERGENCY_STOP,
	TRIP_ENABLE_RELEASED,
	TRIP_BATTERY_LOW,
	TRIP_TOO_HOT,
	TRIP_ASYMMETRY,
	TRIP_DISAGREEMENT,
	TRIP_WATCHDOG,
	TRIP_SELF_TEST,
	TRIP_ENGINE_STALLED,
};

extern volatile uint8_t alive; /* who has run since the watchdog was last fed */

/* The state, checked: anything that is no sound code of a state takes the output off and counts as tripped. */
uint8_t board_state(void);
uint8_t trip_cause(void);

#define ALIVE_TICK      1
#define ALIVE_CONVERTER 2
#define ALIVE_ENGINE    4

void state_init(void);
/* The trip that was latched when power or program went; TRIP_NONE if none was. From EEPROM: it outlives power. */
uint8_t latched_trip(void);
/* Main loop: brings the EEPROM's copy of the latch up to date. */
void state_poll(void);

/* Outputs off at once and the first cause latched. From any context, any number of times. */
void trip(uint8_t cause);
uint64_t trip_tick(void);

void heartbeat_received(void);
bool heartbeat_fresh(void);
/* The dead-man by the other clock; the converter's interrupt asks. */
void heartbeat_second_look(uint16_t coarse_now);
/* The waveform's clock overflows every 32.768 ms: the millisecond's must agree. */
void state_compare_clocks(void);
bool stop_closed(void);
bool enable_held(void);
bool enable_was_released(void); /* since the reset and since the output was last on */

bool enter_armed(void);
bool enter_energised(void);
void enter_off(void); /* in tripped: outputs off, state stays */

bool reset_button_pressed(void); /* true once per press */
bool clear_trip(void);           /* what the button does; false when the inputs do not allow it */
void forbid_clearing(void);      /* the program itself is damaged: nothing clears that trip */

uint16_t milliseconds(void);

#endif
