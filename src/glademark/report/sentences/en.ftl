# Sentences of the crew's guide, and those that handheld files and cautions share with it.
# Another language is another file of the same names (Project Fluent). $… are filled in as printed.

## What holds on the ground

two-tree-lengths = No work within two tree lengths of a danger tree until it has been felled or removed, and at least two tree lengths between crews at work. Where local rules ask for more, they govern.
line-trees = Line trees stand on the property line and are co-owned. They are NOT to be cut until their owners agree and the forester confirms it in writing.
unconfirmed = A tree without listed paint is NOT to be cut until the forester says so.
exclusion = Nothing is cut here, and no machine enters.
crossing = Cross here and nowhere else, once whoever is in charge of the water agrees.
leave-tree = Stays. Mind its bark, roots and crown.
water = Open water out to its banks.
landing = Wood is piled here.
stop = STOP AND CALL before you go on when paint and map disagree, when paint cannot be read or is not in the key, when a boundary or exclusion cannot be found on the ground, when the ground is softer than it should be, or when anything here looks wrong.
stop-in-short = Stop and call the forester whenever paint, map and ground do not agree.
caution-paint = Positions under a canopy are approximate: the paint on the tree governs, not the map.
caution-survey = This is no legal survey of any boundary; line trees are co-owned.
caution-work = Felling and extraction kill: local rules, licensed practice and the crew's judgement come first.
caution-file = Layout of a marked harvest. Positions are approximate (about { $error }); the paint on the tree governs. No legal survey. Local rules and the crew's judgement come first.
hazard = HAZARD: show the crew before work.{ $away ->
        [none] {""}
       *[other] {" "}Keep { $away } away.
    }
keep-away = Keep away: { $away }.
two-lengths = two tree lengths
setback-no_cut = Rule: no tree may be cut in it.
setback-no_machine = Rule: no machine may enter it.
setback-residual_basal_area = Rule: some basal area must stay in it; cut only what is painted.
at-least-stays = At least { $amount } stays.

## Paint

kind-corridor = cut: corridor tree
kind-cut = cut
kind-leave = leave: do not cut
kind-group_boundary = edge of a group; the tree itself is not tallied
kind-group_centre = middle of a group; the tree itself is not tallied
kind-line_tree = line tree: do NOT cut until confirmed
kind-danger = DANGER TREE: keep two tree lengths away
kind-unconfirmed = STOP: ask before you cut
line-tree-agreed = line tree: cut; its owners agreed
see-list = { $what }; see the list of trees
recorded-no-paint = recorded, no paint
no-paint-openings = no paint, in openings
no-paint-elsewhere = no paint, elsewhere
no-paint-known = No meaning of a paint was given: ask before you cut.
unpainted-openings = A stem without paint in openings: { $rule }
unpainted-elsewhere = A stem without paint elsewhere: { $rule }
painted-only = Cut painted trees only.
painted-only-elsewhere = Cut painted trees only. Where the machine cannot pass without another, stop and call.
cleared = Cut every stem of { $size } DBH and larger, painted or not, but for leave trees, line trees, danger trees and unconfirmed trees; tallies hold painted trees only.

## Approval and edition

edition = Edition { $edition }
edition-replaces = Edition { $edition } (replaces { $replaced })
edition-until = { $edition }, marks up to { $day }
approved = Approved for cutting { $by } although { $what }
not-approved = NOT APPROVED FOR CUTTING: { $what }
approved-by = by { $name } on { $day }
exceeded-approved = Limit exceeded, approved { $by }.
exceeded = LIMIT EXCEEDED, not approved for cutting.
exceeded-in-short = LIMIT EXCEEDED

## The guide

guide-title = Field guide
guide-subject = What to cut, what to leave, and whom to call
season = Season: { $season }
season-not-stated = not stated: ask before you start
whom = Whom to call
name = Name
telephone = Telephone
forester = Forester
owner = Owner
crew-boss = Crew boss
ambulance = Ambulance
in-the-stand = In the stand: { $where } (WGS 84)
at-landing = { $name }: { $where } (WGS 84)
a-landing = landing
danger-trees = Danger trees
danger-known = { $number } known.
danger-none = None was recorded; look up all the same.
line-trees-title = Line trees: NOT to be cut
unconfirmed-title = Unconfirmed trees: NOT to be cut
paint-title = Paint, and where to take care
corridors-title = Corridors
order-title = Corridors in the order of work, from the landing outward
openings-title = Openings (edge { $edge })
edge-marked_crowns = at the crowns of the marks
edge-standing_crowns = at the standing crowns (radius { $radius })
edge-boles = at the boles around (standing crown { $radius })
leave-title = Leave trees: they stay
counted-more = { $trees } more painted trees were counted without a position.
counted-on-paper = { $trees } counted on paper
without-product = without product
single-trees = Single trees
whose-mark = The letter before a number says whose mark it is: { $letters }.
meeting-point = Meeting point
access = Access
flagging = Flagging { $colour }
slash = Slash
top = Top
stump-height = Stump height
leave-trees-stay = They stay: mind bark and roots.
some-trees = { $count ->
        [one] { $trees } tree
       *[other] { $trees } trees
    }
hazard-at = { $name } at { $where }
a-hazard = Hazard
an-exclusion = Exclusion
a-setback = Setback { $name }
crossing-at = Corridor { $corridor } over { $name } at { $where }
a-water = water
existing-corridor = { $corridor } (existing)
from-corridor = { $away } from corridor { $corridor }
in-corridor = IN corridor { $corridor }
not-reached = not reached
at-it = at it
crosses = crosses { $names }
steep = STEEP over { $length }
steep-up-to = STEEP over { $length }, up to { $grade } %
without-volume = { $without } of { $trees } trees without a volume

## Heads of its tables

head-tree = Tree
head-species = Species
head-dbh = DBH
head-corridor = Corridor
head-nearest = Nearest corridor
head-place = Latitude, longitude
head-place-wgs84 = Latitude, longitude (WGS 84)
head-keep-away = Keep away
head-paint = Paint
head-to-do = What to do
head-trees = Trees
head-where = Where
head-size = Size
head-holds = What holds
head-number = No.
head-area = Area
head-of-them = Of them
head-volume = Volume, net
head-to-landing = To landing
head-width = Width
head-trees-in = Trees in it
head-their-volume = Their volume
head-single = Single trees near
head-mind = Mind
head-comes = Comes to landing (located trees)
head-what = What
head-leave-trees = Leave trees

## Names and sentences of features on a handheld

layer-stand = Stand boundary
layer-exclusions = Exclusions: nothing is cut
layer-setbacks = Setbacks
layer-water = Water
layer-landings = Landings
layer-hazards = HAZARDS: keep away
layer-corridors = Corridors
layer-corridor_lines = Corridor centre lines
layer-openings = Group openings
layer-danger_circles = Two tree lengths around danger trees
layer-danger_trees = DANGER TREES
layer-line_trees = Line trees: do NOT cut
layer-unconfirmed_trees = Unconfirmed trees: do NOT cut
layer-leave_trees = Leave trees: do not cut
layer-marks = Trees to cut
stand-of = Stand of { $area }.
word-exclusions = Exclusion
word-setbacks = Setback
word-water = Water
word-landings = Landing
word-hazards = Hazard:
corridor-name = Corridor { $name }
corridor-about = { $state }, { $width } wide, { $length } in the stand
corridor-trees = { $about }; { $trees } trees to cut
opening-name = Opening { $name }
opening-about = { $trees } trees to cut: { $products }; { $area }
danger-name = DANGER TREE { $name }
circle-name = Keep away from danger tree { $name }
line-name = DO NOT CUT line tree { $name }
unconfirmed-name = DO NOT CUT unconfirmed tree { $name }
leave-name = Leave tree { $name }
mark-about = { $species }, { $dbh }, { $product }, paint { $paint }
