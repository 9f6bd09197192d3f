# What does the build need to know of this board?
MCU = atmega2560
CHIP = ATmega2560
FLASH_LIMIT = 20480
RAM_LIMIT = 4096
# Of the serial boot loader on common boards.
BOOT_PROTOCOL = wiring
BOOT_BAUD = 115200
