/* The host's end of the simulated USB bus: enumeration, start-of-frame, the serial data pipes.
 *
 * simavr models the device's endpoints; everything that a host does is done here, as the USB 2.0
 * specification (chapter 9) and the CDC PSTN subclass (line coding, control line state) say. */
#ifndef USBHOST_H
#define USBHOST_H

#include <stdint.h>

#include "sim_avr.h"

void run_cycles(uint64_t n); /* of the harness: lets the chip run */

int usb_enumerate(avr_t *avr);      /* 0 when configured, -1 if the device does not answer */
void usb_sof(avr_t *avr);           /* once every millisecond */
void usb_suspend(avr_t *avr);
void usb_resume(avr_t *avr);
int usb_line_state(avr_t *avr, int dtr);
int usb_line_coding(avr_t *avr, uint32_t baud);
int usb_read(avr_t *avr, uint8_t *buf);              /* one packet: its length, or -1 */
int usb_write(avr_t *avr, const uint8_t *buf, int n); /* one packet: 0, or -1: try later */

#endif
