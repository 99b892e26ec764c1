"""What the shop knows by name: systems, platforms, symptoms, causes, cautions, access states, meters."""
