// CRC-16/CCITT-FALSE, one byte at a time: polynomial 1021, start FFFF, no reflection, no final xor.
// Check value of "123456789": 29B1 (CRC catalogues). No table: 512 bytes of flash are dearer here
// than the twenty instructions a byte costs.
#ifndef PROBE_CRC_H
#define PROBE_CRC_H

#include <stdint.h>

namespace probe {

static const uint16_t CRC_START = 0xFFFF;

inline uint16_t crc_add(uint16_t crc, uint8_t byte) {
    uint8_t x = uint8_t(crc >> 8) ^ byte;
    x ^= x >> 4;
    return uint16_t(crc << 8) ^ uint16_t(uint16_t(x) << 12) ^ uint16_t(uint16_t(x) << 5) ^ x;
}

}  // namespace probe

#endif
