"""What a procedure costs and how often it is right, over its expected runs or over closed jobs, and better orders."""
