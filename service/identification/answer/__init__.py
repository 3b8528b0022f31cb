"""What is said of a posterior: the decision, the reasons, what to ask for, what follows from the readings."""
