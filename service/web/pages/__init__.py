"""Pages: the desk, the widget for stores, the guide. Plain files, served as they lie; all they know is from the API."""
