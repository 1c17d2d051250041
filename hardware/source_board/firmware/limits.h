/* Every number that decides whether the output may be on. Raising one here is a design change: the output
 * stage's own limits (hardware/source_board/output_stage) hold whatever this file says. */
#ifndef LIMITS_H
#define LIMITS_H

#define MAX_CURRENT_UA    15000UL /* most that CONFIGURE may ask for; the hardware holds 20 mA by itself */
#define DEFAULT_LIMIT_UA  10000UL /* in force until CONFIGURE asks for something else */
#define MAX_VOLTAGE_MV    12000   /* trip; the contact limit for interrupted DC is 12.4 V peak */
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
#define FAULT_HALVES      4       /* halves in a row that must look asymmetric */

/* A hard maximum at or above the output stage's 20 mA would make this layer worthless. */
_Static_assert(MAX_CURRENT_UA < 20000UL, "firmware limit must stay below the hardware limit");
_Static_assert(DEFAULT_LIMIT_UA <= MAX_CURRENT_UA, "default above the maximum");
_Static_assert(MAX_VOLTAGE_MV <= 12000, "no more than 12 V between the electrodes");

#endif
