// keydiag's probe: a sketch for the controller of a hand-wired half. It finds out which lines
// conduct to which, tells keydiag over the serial port, and harms nothing. What it says and what
// it promises: shared/wire-v1.md.
//
// To build: open this folder in an Arduino-style IDE, choose a board with your controller, upload.
// On the ATmega32U4 it reads whole ports (board_32u4.cpp); on anything else it goes pin by pin
// (board_generic.cpp). The other files are plain C++ and are tested on a host as well.
#include "probe.h"

static probe::Probe the_probe;

void setup() { the_probe.start(); }

void loop() { the_probe.poll(); }
