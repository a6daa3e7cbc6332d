"""From an office's own list, whatever its headings and however it is typed, to the tables that loading takes."""
