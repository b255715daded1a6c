"""Files for the projector and for people: frames, pictures."""
