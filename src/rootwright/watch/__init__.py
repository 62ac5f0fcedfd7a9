"""A product looked at again whenever one of its files changes; what did not change comes from the work folder."""
