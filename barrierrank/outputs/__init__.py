"""Tables, layers, pictures, maps and the record of a run."""
