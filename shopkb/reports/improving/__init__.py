"""What a procedure could do better: a draft replayed and compared in cost, a better order, a step left out."""
