"""Part profiles: classes of parts, named by what they offer."""
