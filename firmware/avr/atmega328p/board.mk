# What does the build need to know of this board?
MCU = atmega328p
CHIP = ATmega328P
# Under 14 KiB.
FLASH_LIMIT = 14335
RAM_LIMIT = 1228
# Of the serial boot loader on common boards.  Old ones: BOOT_BAUD=57600.
BOOT_PROTOCOL = arduino
BOOT_BAUD = 115200
# 400 bytes less; the interrupts keep their times.  Not -fipa-pta: it saves 80 more, and breaks test_batch (gcc 5.4).
SMALLER = -mstrict-X -fno-inline-small-functions -flto-partition=none
