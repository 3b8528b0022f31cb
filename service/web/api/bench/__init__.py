"""The bench's own record: its measuring instruments, and the conditions shafts are measured under."""
