"""What the commands print, and nothing else prints: a planned night, an intake, a lesson, a morning, and faults."""
