# Which compiler builds here?  One line; another compiler gives other bytes.  Read by compare.sh and make.sh.
compiler() {
    printf '%s, avr-libc %s, %s\n' "$(avr-gcc --version | head -n 1)" \
        "$(printf '#include <avr/version.h>\n__AVR_LIBC_VERSION_STRING__\n' | avr-gcc -mmcu=atmega328p -E - | tail -n 1 | tr -d '"')" \
        "$(avr-ld --version | head -n 1)"
}
