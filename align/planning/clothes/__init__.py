"""The scene as it will look: its faces clothed with photos, and what an eye sees of it, mirrors included."""
