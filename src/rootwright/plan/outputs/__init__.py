"""What a build takes over from the plan: linker script fragment, C header, protection table, JSON."""
