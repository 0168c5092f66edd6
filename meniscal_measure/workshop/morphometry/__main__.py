"""Print the shape figures of drawn knees beside those of real ones: give how many to draw."""

import sys

import numpy as np

from meniscal_measure.workshop.knees.population import draw_parameters
from meniscal_measure.workshop.knees.synthetic_knee import SyntheticKnee
from meniscal_measure.workshop.morphometry.comparison import compared, table
from meniscal_measure.workshop.morphometry.drawn import bones_of
from meniscal_measure.workshop.morphometry.figures import knee_figures

if __name__ == "__main__":
    rng = np.random.default_rng(5)
    knees = [SyntheticKnee(draw_parameters(rng)) for _ in range(int(sys.argv[1]))]
    print(table(compared([knee_figures(bones_of(knee)) for knee in knees])))
