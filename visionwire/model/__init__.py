"""The learned finder's weights."""
