"""The writer's desk: a draft as cards that are saved as they are typed. ``acts`` changes, ``showing`` shows."""
