/* How are constants kept out of the memory, where they would lie a second time? */
#ifndef FLASH_H
#define FLASH_H

#include <stdint.h>

#ifdef __AVR__
#define FLASH __attribute__((__progmem__))

static inline uint8_t flash_byte(const void *at)
{
    uint8_t byte;

    __asm__("lpm %0, Z" : "=r"(byte) : "z"(at));
    return byte;
}
#else
#define FLASH

static inline uint8_t flash_byte(const void *at)
{
    return *(const uint8_t *)at;
}
#endif

#endif
