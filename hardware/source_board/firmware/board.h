/* Pin map and electrical constants of the source board (ATmega328P, 16 MHz crystal, 5 V).
 *
 * Every output is active high and has a pull-down outside the chip, so a chip in reset, blank or missing
 * leaves the output stage off. Every permissive input is high = permitted with a pull-down outside, so a
 * broken wire reads as "stop". hardware/source_board/README.md shows the same table for people.
 */
#ifndef BOARD_H
#define BOARD_H

#include <avr/io.h>

/* Bridge drive: the timer's own compare outputs, so that edges do not wait for code. The other
 * outputs of port B are set and cleared one bit at a time, by single instructions. */
#define DRIVE_POSITIVE   _BV(PB1) /* OC1A: injection electrode positive */
#define DRIVE_NEGATIVE   _BV(PB2) /* OC1B: injection electrode negative */
#define DRIVE_MASK       (DRIVE_POSITIVE | DRIVE_NEGATIVE)
#define IN_BENCH         _BV(PB0) /* high = the board sits on an emulated bench and says so in its identity */
#define OUT_TEN_VOLTS    _BV(PB3) /* high = bridge supply 10 V, low = 5 V */
#define OUT_CLAMP_TEST   _BV(PB4) /* with OUT_TEN_VOLTS: regulator asked for 13 V, which the clamp must hold */
#define OUT_SYNC         _BV(PB5) /* rises at each period's start; through the isolator to the host */
#define PORTB_OUTPUTS    (DRIVE_MASK | OUT_TEN_VOLTS | OUT_CLAMP_TEST | OUT_SYNC)

#define IN_STOP_CLOSED   _BV(PD2) /* high = emergency-stop chain closed */
#define IN_ENABLE_HELD   _BV(PD3) /* high = hand-held enable pressed */
#define OUT_BRIDGE       _BV(PD4) /* high = bridge supply on */
#define OUT_ELECTRODE_A  _BV(PD5) /* high = relay of injection electrode A closed */
#define OUT_ELECTRODE_B  _BV(PD6) /* high = relay of injection electrode B closed */
#define IN_RESET_BUTTON  _BV(PD7) /* low = pressed (internal pull-up) */
#define PORTD_OUTPUTS    (OUT_BRIDGE | OUT_ELECTRODE_A | OUT_ELECTRODE_B)

#define OUT_ALIVE        _BV(PC5) /* toggles every millisecond only while energised and all checks run:
                                     a diode pump outside turns it into a second, independent enable */

/* Analog inputs, reference AVCC (5 V), 10 bits. The midpoint is half of AVCC, as it is for the converter. */
#define ADC_CURRENT      0 /* 2.5 V + 100 mV per mA, positive out of the injection electrode */
#define ADC_VOLTAGE_A    1 /* 2.5 V + 156.25 mV per V, injection electrode A minus earth electrode */
#define ADC_BATTERY      2 /* battery / 4 */
#define ADC_TEMPERATURE  3 /* 500 mV + 10 mV per degree C */
#define ADC_VOLTAGE_B    4 /* like A */
#define ADC_REFERENCE    6 /* 2.5 V, 0.5 %: how high AVCC really is */
#define ADC_RAIL         7 /* bridge rail / 4, behind the limiter, at the clamp */
#define REFERENCE_MV     2500

/* What the output stage is: used only to judge whether measured and commanded output agree. The full range is used
 * when more than LOW_RANGE_UA is asked for. */
#define BRIDGE_MV        10000
#define BRIDGE_LOW_MV    5000
#define LOW_RANGE_UA     5000UL
#define SERIES_OHM       1200   /* rail to rail: 1101 ohm of resistors, the rest in transistors */
#define LIMITER_UA       11000L /* from here on (to 13.5 mA) the output stage's own limiters may act */

/* Fuses as the Makefile writes them (low, high, extended); the three bits that the extended one has. */
#define FUSE_LOW         0xFF
#define FUSE_HIGH        0xD1
#define FUSE_EXTENDED    0xFC
#define FUSE_EXTENDED_MASK 0x07

#endif
