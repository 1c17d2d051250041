/* Every number that decides whether the output may be on. Raising one here is a design change: the output
 * stage's own limits (hardware/source_board/output_stage) hold whatever this file says. */
#ifndef LIMITS_H
#define LIMITS_H

#define MAX_CURRENT_UA    15000UL /* most that CONFIGURE may ask for; the hardware holds 20 mA by itself */
#define DEFAULT_LIMIT_UA  5000UL  /* in force until CONFIGURE asks for something else */
#define MAX_VOLTAGE_MV    10800   /* trip; a sound bridge supply gives 10.2 V, its clamp 10.8 V and more */
#define CLAMP_MAX_MV      11800   /* what the clamp may hold in its test: 11 V, 2 %, 60 degC, and the divider */
#define CLAMP_MIN_MV      10500   /* less: the test has not reached the clamp */
#define CLAMP_BATTERY_MV  12300   /* below this the battery cannot lift the rail to the clamp, nor beyond it */
#define DEADMAN_MS        500
#define LEAK_UA           350     /* current while commanded off ... */
#define LEAK_SAMPLES      50      /* ... for about this many samples (10 ms) */
#define BATTERY_MIN_MV    10500   /* usual end of discharge of a 12 V lead battery (common practice) */
#define HOT_CC            7000    /* 70 degrees C */
#define COLD_CC           (-3000) /* below this the sensor is broken, and a broken sensor counts as hot */
#define STOP_FILTER_MS    2       /* emergency stop open this long trips */
#define ENABLE_FILTER_MS  5       /* contact bounce of a hand-held switch */
#define RELEASE_MS        50
#define BUTTON_MS         20
#define CONVERTER_MAX_AGE_MS 5
#define ENGINE_MAX_AGE_MS 12      /* the engine has an event at least every 8.2 ms */
#define MAINS_HALF_MS     10      /* half a period of 50 Hz: what disagrees for longer is not the mains */
#define MAINS_MV          750     /* peak that mains in the water may add to a voltage: 0.5 V rms, and a little */
#define FAULT_PAIRS       4       /* changes of polarity in a row that must look asymmetric */
#define ZERO_COUNTS       4       /* most that the current's zero may be off (0.2 mA): the rest is a current */
#define SUPPLY_MIN_MV     4650    /* 5 V supply of this chip, by the 2.5 V reference */
#define SUPPLY_MAX_MV     5350

/* A hard maximum at or above the output stage's 20 mA would make this layer worthless. */
_Static_assert(MAX_CURRENT_UA < 20000UL, "firmware limit must stay below the hardware limit");
_Static_assert(DEFAULT_LIMIT_UA <= MAX_CURRENT_UA, "default above the maximum");
_Static_assert(MAX_VOLTAGE_MV <= 12000, "no more than 12 V between the electrodes");

#endif
