"""From pixels to what one bone shows. Pure, on arrays."""
