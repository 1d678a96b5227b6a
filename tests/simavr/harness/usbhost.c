/* See usbhost.h. */
#include "usbhost.h"

#include <stdio.h>
#include <string.h>

#include "avr_usb.h"

/* ATmega32U4 data space addresses and bits (datasheet, USB device registers). */
enum { UDCON = 0xE0, UDINT = 0xE1, UDIEN = 0xE2, UDFNUML = 0xE4, UDFNUMH = 0xE5 };
enum { SUSPI = 0, SOFI = 2, WAKEUPI = 4, DETACH = 0 };
enum { USB_GEN_VECTOR = 10 };
/* Endpoints of the core's serial port: 1 notifications, 2 data out, 3 data in. */
enum { EP_OUT = 2, EP_IN = 3, PACKET = 64 };

static void raise_bus_event(avr_t *avr, int bit) {
    avr->data[UDINT] |= 1 << bit;
    if (!(avr->data[UDIEN] >> bit & 1)) return;
    for (int i = 0; i < avr->interrupts.vector_count; i++)
        if (avr->interrupts.vector[i]->vector == USB_GEN_VECTOR)
            avr_raise_interrupt(avr, avr->interrupts.vector[i]);
}

void usb_sof(avr_t *avr) {
    static uint16_t frame;
    frame = (frame + 1) & 0x7FF;
    avr->data[UDFNUML] = frame & 0xFF;
    avr->data[UDFNUMH] = frame >> 8;
    raise_bus_event(avr, SOFI);
}

void usb_suspend(avr_t *avr) { raise_bus_event(avr, SUSPI); }
void usb_resume(avr_t *avr) { raise_bus_event(avr, WAKEUPI); }

static void run_us(avr_t *avr, int us) { run_cycles((uint64_t)us * (avr->frequency / 1000000)); }

/* One packet on endpoint 0, tried for a quarter of a second. */
static int ep0(avr_t *avr, int ctl, uint8_t *buf, uint32_t n) {
    for (int tries = 0; tries < 2500; tries++) {
        struct avr_io_usb d = {0, n, buf};
        int r = avr_ioctl(avr, ctl, &d);
        if (r == AVR_IOCTL_USB_OK) return (int)d.sz;
        if (r == AVR_IOCTL_USB_STALL) return -1;
        run_us(avr, 100);
    }
    return -1;
}

static int control(avr_t *avr, int type, int request, int value, int index, uint8_t *data, int n) {
    uint8_t setup[8] = {type, request, value, value >> 8, index, index >> 8, n, n >> 8};
    struct avr_io_usb d = {0, 8, setup};
    uint8_t none[PACKET];
    int got = 0;
    avr_ioctl(avr, AVR_IOCTL_USB_SETUP, &d);
    /* The device needs some time to take the request in before endpoint 0 tells anything. */
    run_us(avr, 150);
    if (type & 0x80) {
        while (got < n) {
            uint8_t packet[PACKET];
            int r = ep0(avr, AVR_IOCTL_USB_READ, packet, PACKET);
            if (r < 0) return -1;
            if (r > n - got) r = n - got;
            memcpy(data + got, packet, r);
            got += r;
            run_us(avr, 150);
            if (r < PACKET) break;
        }
        if (ep0(avr, AVR_IOCTL_USB_WRITE, none, 0) < 0) return -1;
    } else {
        if (n && ep0(avr, AVR_IOCTL_USB_WRITE, data, n) < 0) return -1;
        run_us(avr, 150);
        if (ep0(avr, AVR_IOCTL_USB_READ, none, PACKET) < 0) return -1;
    }
    run_us(avr, 150);
    return got;
}

int usb_enumerate(avr_t *avr) {
    uint8_t buf[512];
    avr_ioctl(avr, AVR_IOCTL_USB_VBUS, (void *)1);
    for (int ms = 0; avr->data[UDCON] >> DETACH & 1; ms++) {
        if (ms > 500) return -1;
        run_us(avr, 1000);
    }
    run_us(avr, 2000);
    avr_ioctl(avr, AVR_IOCTL_USB_RESET, NULL);
    run_us(avr, 2000);
    if (control(avr, 0x80, 6, 0x0100, 0, buf, 18) != 18) return -1; /* device descriptor */
    if (control(avr, 0x00, 5, 7, 0, NULL, 0) < 0) return -1;        /* SET_ADDRESS */
    if (control(avr, 0x80, 6, 0x0200, 0, buf, 9) != 9) return -1;   /* configuration */
    int total = buf[2] | buf[3] << 8;
    if (total > (int)sizeof buf || control(avr, 0x80, 6, 0x0200, 0, buf, total) != total) return -1;
    if (control(avr, 0x00, 9, 1, 0, NULL, 0) < 0) return -1;        /* SET_CONFIGURATION */
    return usb_line_coding(avr, 115200);
}

int usb_line_coding(avr_t *avr, uint32_t baud) {
    uint8_t coding[7] = {baud, baud >> 8, baud >> 16, baud >> 24, 0, 0, 8};
    return control(avr, 0x21, 0x20, 0, 0, coding, 7);
}

int usb_line_state(avr_t *avr, int dtr) {
    return control(avr, 0x21, 0x22, dtr ? 3 : 0, 0, NULL, 0);
}

int usb_read(avr_t *avr, uint8_t *buf) {
    struct avr_io_usb d = {EP_IN, PACKET, buf};
    return avr_ioctl(avr, AVR_IOCTL_USB_READ, &d) == AVR_IOCTL_USB_OK ? (int)d.sz : -1;
}

int usb_write(avr_t *avr, const uint8_t *buf, int n) {
    struct avr_io_usb d = {EP_OUT, n, (uint8_t *)buf};
    return avr_ioctl(avr, AVR_IOCTL_USB_WRITE, &d) == AVR_IOCTL_USB_OK ? 0 : -1;
}
