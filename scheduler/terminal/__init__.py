"""What the commands print, and nothing else prints: a planned night, and an intake, a lesson, a morning."""
