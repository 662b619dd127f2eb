"""The data sets and groups of fixtures/reference that carry a survival curve."""

CURVES = [
    ("aml", "overall"),
    ("aml", "x=Maintained"),  # its reversed curve lies on one half from 45 to 161 weeks: median 103
    ("aml", "x=Nonmaintained"),
    ("veteran", "overall"),
    ("veteran", "celltype=adeno"),
    ("veteran", "celltype=large"),
    ("veteran", "celltype=smallcell"),
    ("veteran", "celltype=squamous"),
    ("veteran", "trt=1"),
    ("veteran", "trt=2"),
    ("freireich_6mp", "overall"),
    ("freireich_6mp", "group=6-MP"),
    ("freireich_6mp", "group=placebo"),  # nobody censored: survival reaches 0, no median follow-up
    ("diabetic", "overall"),
    ("diabetic", "trt=0"),
    ("diabetic", "trt=1"),  # opens with censorings: survival 1 has no log-log interval
    ("mgus2", "overall"),
    ("mgus2", "sex=F"),
    ("mgus2", "sex=M"),
]
