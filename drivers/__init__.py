"""How Peakwhite talks to oscilloscopes: links, block reads and one small file per instrument family."""
