"""The messages between the field process and everything that asks it, and their transport; knows no room above it."""
