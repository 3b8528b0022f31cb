"""Which rows and slips are worth an exact reckoning: a cheap look at everything, a closer one at what is left."""
