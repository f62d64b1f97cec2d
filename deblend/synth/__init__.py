"""Lines with a known answer: earths, acquisitions, noise, standard scenes, blended gathers."""
