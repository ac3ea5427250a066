"""A stand-alone SCPI instrument: video source, front end, ADC, memory, SCPI face."""
