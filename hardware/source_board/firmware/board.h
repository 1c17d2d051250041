/* Pin map and electrical constants of the source board (ATmega328P, 16 MHz crystal, 5 V).
 *
 * Every output is active high and has a pull-down outside the chip, so a chip in reset, blank or missing
 * leaves the output stage off. Every permissive input is high = permitted with a pull-down outside, so a
 * broken wire reads as "stop". hardware/source_board/README.md shows the same table for people.
 */
#ifndef BOARD_H
#define BOARD_H

#include <avr/io.h>

/* Bridge drive: the timer's own compare outputs, so that edges do not wait for code. Port B carries nothing
 * else that is an output: nothing may write PORTB while a compare output owns a pin. */
#define DRIVE_POSITIVE   _BV(PB1) /* OC1A: injection electrode positive */
#define DRIVE_NEGATIVE   _BV(PB2) /* OC1B: injection electrode negative */
#define DRIVE_MASK       (DRIVE_POSITIVE | DRIVE_NEGATIVE)
#define IN_BENCH         _BV(PB0) /* high = the board sits on an emulated bench and says so in its identity */

#define IN_STOP_CLOSED   _BV(PD2) /* high = emergency-stop chain closed */
#define IN_ENABLE_HELD   _BV(PD3) /* high = hand-held enable pressed */
#define OUT_BRIDGE       _BV(PD4) /* high = bridge supply on */
#define OUT_ELECTRODE_A  _BV(PD5) /* high = relay of injection electrode A closed */
#define OUT_ELECTRODE_B  _BV(PD6) /* high = relay of injection electrode B closed */
#define IN_RESET_BUTTON  _BV(PD7) /* low = pressed (internal pull-up) */
#define PORTD_OUTPUTS    (OUT_BRIDGE | OUT_ELECTRODE_A | OUT_ELECTRODE_B)

#define OUT_ALIVE        _BV(PC5) /* toggles every millisecond only while energised and all checks run:
                                     a diode pump outside turns it into a second, independent enable */

/* Analog inputs, reference AVCC = 5 V, 10 bits. */
#define ADC_CURRENT      0 /* 2.5 V + 100 mV per mA, positive out of the injection electrode */
#define ADC_VOLTAGE_A    1 /* 2.5 V + 156.25 mV per V, injection electrode A minus earth electrode */
#define ADC_BATTERY      2 /* battery / 4 */
#define ADC_TEMPERATURE  3 /* 500 mV + 10 mV per degree C */
#define ADC_VOLTAGE_B    4 /* like A */
#define ADC_BANDGAP      14 /* the chip's own 1.1 V reference (1.0 to 1.2 V by the data sheet) */

/* What the output stage is: used only to judge whether measured and commanded output agree. */
#define BRIDGE_MV        10000 /* regulated bridge supply */
#define SERIES_OHM       1040   /* rail to rail: 996 ohm of resistors, current sense included, the rest in transistors */
#define LIMITER_UA       11000L /* from here on (to 13.5 mA) the output stage's own limiters may act */

#endif
