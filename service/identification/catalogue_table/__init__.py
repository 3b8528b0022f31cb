"""The catalogue as arrays, made once a revision, and the rows that a shaft may truly be."""
