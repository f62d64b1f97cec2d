"""The direct arrival of every shot on the channels nearest to the sources, fitted and searched."""
