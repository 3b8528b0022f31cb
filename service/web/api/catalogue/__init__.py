"""The catalogue over HTTP: parts, cores, look-alikes for staff; new revisions for administrators."""
