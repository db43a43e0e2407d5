"""What the terrain and the corridor network say."""
