// Constants kept in flash on AVR, where RAM is dear, and in plain memory everywhere else.
#ifndef PROBE_FLASH_H
#define PROBE_FLASH_H

#include <stdint.h>

#ifdef __AVR__
#include <avr/pgmspace.h>
#define IN_FLASH PROGMEM
#define FLASH_TEXT(text) PSTR(text)
#else
#define IN_FLASH
#define FLASH_TEXT(text) (text)
#endif

namespace probe {

#ifdef __AVR__
inline uint8_t flash_byte(const void* at) { return pgm_read_byte(at); }
inline uint32_t flash_word32(const uint32_t* at) { return pgm_read_dword(at); }
#else
inline uint8_t flash_byte(const void* at) { return *static_cast<const uint8_t*>(at); }
inline uint32_t flash_word32(const uint32_t* at) { return *at; }
#endif

}  // namespace probe

#endif
