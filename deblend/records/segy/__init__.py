"""SEG-Y: continuous records of revisions 0 to 2.1, and files of gathers."""
