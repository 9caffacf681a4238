# The public names, listed once: the package loads each when it is first used, and tools read them here.
from .answer import Answer as Answer, Kind as Kind, Note as Note
from .compare.clutches.comparison import (
    ClutchComparison as ClutchComparison,
    compare_clutches as compare_clutches,
)
from .compare.hatch import Hatch as Hatch, hatch as hatch
from .compare.laying.laying import Laying as Laying, laying as laying
from .decide.life import Life as Life, life as life
from .decide.matings.matings import Matings as Matings, matings as matings
from .decide.meeting import Meeting as Meeting, hold as hold, write_tables as write_tables
from .decide.prices.prices import Prices as Prices, prices as prices
from .decide.review.review import Review as Review, review as review
from .decide.spring.spring import Spring as Spring, next_spring as next_spring
from .decide.verdicts.verdicts import Verdicts as Verdicts, propose as propose
from .decide.years.years import Years as Years, years_ahead as years_ahead
from .errors import SelectionError as SelectionError
from .merit.mixed_model import Fitted as Fitted, fit_model as fit_model
from .merit.ranking import Merit as Merit, rank as rank
from .merit.relationship.parentage import Parentage as Parentage, parentage as parentage
from .merit.relationship.pedigree import (
    Pedigree as Pedigree,
    from_parents as from_parents,
    from_shares as from_shares,
    group_shares as group_shares,
)
from .records.flock import Flock as Flock, flock_from_forms as flock_from_forms, read_flock as read_flock
from .records.intake.recording import Recorded as Recorded, record as record, record_rows as record_rows
from .standard.growth import Growth as Growth, fit_growth as fit_growth
from .standard.points import Points as Points, score as score

__version__: str
