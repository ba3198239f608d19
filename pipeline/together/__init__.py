"""What only the bones of a run together can tell. Pure, no pixels."""
