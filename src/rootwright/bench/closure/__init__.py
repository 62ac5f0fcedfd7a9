"""The closure of the real boot program: the explorer of `prove` with the program in the emulator as its subject."""
