"""Flash model, update procedures and the firmware consumer: the reference device."""
