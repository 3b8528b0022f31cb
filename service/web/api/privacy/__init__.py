"""What is kept of people: the notice, one customer's data, and the trail of who saw and changed what."""
