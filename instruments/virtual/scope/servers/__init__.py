"""The virtual scope behind TCP: bare, VXI-11 and HiSLIP."""
