"""What do this machine's own pulses say of its targets, board clock, wheel and drive?"""
