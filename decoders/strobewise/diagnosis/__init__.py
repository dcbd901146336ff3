"""The main job: captures in, a verdict out."""
