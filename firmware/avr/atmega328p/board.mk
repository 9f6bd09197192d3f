# What does the build need to know of this board?
MCU = atmega328p
CHIP = ATmega328P
FLASH_LIMIT = 14336
RAM_LIMIT = 1228
# Of the serial boot loader on common boards.  Old ones: BOOT_BAUD=57600.
BOOT_PROTOCOL = arduino
BOOT_BAUD = 115200
