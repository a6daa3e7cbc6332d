"""What leaves the office: the view of a stored run, output folders, letters, comparisons."""
