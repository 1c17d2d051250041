/* The board's state machine, its latched trip and the millisecond tick that guards it. */
#ifndef STATE_H
#define STATE_H

#include <stdbool.h>
#include <stdint.h>

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

extern volatile uint8_t state;
extern volatile uint8_t trip_cause;
extern volatile uint8_t alive; /* who has run since the watchdog was last fed */

#define ALIVE_TICK      1
#define ALIVE_CONVERTER 2
#define ALIVE_ENGINE    4

void state_init(void);

/* Outputs off at once and the first cause latched. From any context, any number of times. */
void trip(uint8_t cause);
uint64_t trip_tick(void);

void heartbeat_received(void);
bool heartbeat_fresh(void);
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
