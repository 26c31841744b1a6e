"""Measures of two vehicle exteriors of our own, a panel van and a compact: no vehicle that exists was the pattern."""

from dataclasses import dataclass


@dataclass(frozen=True)
class Shape:
    """Measures of a vehicle, mm; points of its side view are (X, Z)."""

    front: float
    rear: float
    width: float
    height: float
    wheelbase: float
    tyre_radius: float
    tyre_width: float
    floor: float
    bonnet: tuple  # two points of the bonnet's line
    windscreen: tuple  # two points
    roof_peak: float  # X of the highest point
    roof_bow: float  # 1/(2 R) of the roof along X
    belt: float  # Z where the side is widest
    tumblehome: float  # how far the side leans in at the roof
    rear_lean: float  # how far the rear leans in from the belt to the roof
    nose_sweep: float  # how far the front's corners lie behind its middle
    side_windows: tuple  # outlines of glass, each a tuple of (X, Z), anticlockwise
    doors: tuple  # rectangles (X low, Z low, X high, Z high)
    windscreen_outline: tuple  # (Y, Z)
    rear_windows: tuple  # outlines (Y, Z)
    rear_doors: tuple  # rectangles (Y low, Z low, Y high, Z high)
    bonnet_outline: tuple  # (X, Y)
    mirror: tuple  # (X, Z) of its middle
    antenna: tuple  # X of its foot, length, lean from the upright in degrees


VAN = Shape(
    front=-927,
    rear=4433,
    width=2020,
    height=2500,
    wheelbase=3400,
    tyre_radius=345,
    tyre_width=225,
    floor=290,
    bonnet=((-850, 1000), (-60, 1260)),
    windscreen=((-110, 1230), (620, 2290)),
    roof_peak=2700,
    roof_bow=2.6e-5,
    belt=900,
    tumblehome=85,
    rear_lean=40,
    nose_sweep=110,
    side_windows=(((190, 1370), (1120, 1330), (1120, 1990), (600, 1990)),),
    doors=((60, 480, 1260, 2080), (1340, 480, 2560, 2200)),
    windscreen_outline=((-800, 1330), (800, 1330), (720, 2180), (-720, 2180)),
    rear_windows=(
        ((80, 1380), (760, 1380), (740, 2020), (80, 2020)),
        ((-760, 1380), (-80, 1380), (-80, 2020), (-740, 2020)),
    ),
    rear_doors=((8, 560, 860, 2270), (-860, 560, -8, 2270)),
    bonnet_outline=((-780, -680), (-130, -800), (-130, 800), (-780, 680)),
    mirror=(130, 1480),
    antenna=(900, 170, 62),
)

COMPACT = Shape(
    front=-797,
    rear=3160,
    width=1750,
    height=1500,
    wheelbase=2520,
    tyre_radius=310,
    tyre_width=195,
    floor=210,
    bonnet=((-720, 730), (260, 950)),
    windscreen=((120, 890), (1000, 1440)),
    roof_peak=1450,
    roof_bow=3.2e-5,
    belt=640,
    tumblehome=165,
    rear_lean=330,
    nose_sweep=150,
    side_windows=(
        ((620, 1000), (1450, 980), (1450, 1370), (1060, 1370)),
        ((1540, 980), (2380, 990), (2220, 1370), (1540, 1370)),
    ),
    doors=((420, 330, 1480, 960), (1500, 330, 2120, 950)),
    windscreen_outline=((-640, 965), (640, 965), (540, 1375), (-540, 1375)),
    rear_windows=(((-560, 1010), (560, 1010), (490, 1340), (-490, 1340)),),
    rear_doors=((-620, 480, 620, 960),),
    bonnet_outline=((-660, -560), (60, -650), (60, 650), (-660, 560)),
    mirror=(760, 1020),
    antenna=(1080, 110, 72),
)
