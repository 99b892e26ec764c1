"""What is believed of the causes of one job: likelihoods, posterior probabilities, information gain."""
