"""The steps, numbered."""
