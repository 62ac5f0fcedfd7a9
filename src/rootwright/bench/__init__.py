"""The user's boot program in a CPU emulator: golden runs, faults, power cuts and hostile updates on the real code."""
