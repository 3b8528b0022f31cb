"""Letters to customers: as they would be written now, and as they were issued."""
