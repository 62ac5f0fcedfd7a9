"""One release from plan, images and keys."""
