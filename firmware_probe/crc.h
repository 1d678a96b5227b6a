// CRC-16/CCITT-FALSE, one byte at a time: polynomial 1021, start FFFF, no reflection, no final xor.
// Check value of "123456789": 29B1 (CRC catalogues). No table: 512 bytes of flash are dearer here
// than the twenty instructions a byte costs.
#ifndef PROBE_CRC_H
#define PROBE_CRC_H

#include <stdint.h>

namespace probe {

static const uint16_t CRC_START = 0xFFFF;

// By bytes, because AVR shifts 16 bits one place at a time.
inline uint16_t crc_add(uint16_t crc, uint8_t byte) {
    uint8_t x = uint8_t(crc >> 8) ^ byte;
    x ^= uint8_t(x >> 4);
    uint8_t high = uint8_t(crc) ^ uint8_t(x << 4) ^ uint8_t(x >> 3);
    uint8_t low = x ^ uint8_t(x << 5);
    return uint16_t(high << 8) | low;
}

}  // namespace probe

#endif
