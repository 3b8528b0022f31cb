"""What people do with cases: the queue, a whole case, finding one again, asking one again."""
