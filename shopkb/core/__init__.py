"""The thinking: no Django, no clock, no disk, no network; randomness only from a given generator."""
