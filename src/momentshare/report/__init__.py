"""Tables, figures and records of a run; reads results and computes nothing new."""
