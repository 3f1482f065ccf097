"""The nouns: quality, reading, point, equipment, port, loop, plant, frame."""
