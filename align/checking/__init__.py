"""The main job: from photos to lean, turn and packing, in words, picture and JSON."""
