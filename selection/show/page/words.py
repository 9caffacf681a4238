"""The pack's standing words: cautions, how it was worked out with its sources, and the glossary."""

from __future__ import annotations

from markupsafe import Markup

from selection.decide.meeting import Meeting
from selection.decide.wording import each
from selection.merit.ranking import Merit
from selection.records.settings.reading import Standard
from selection.show.page.figures import missing
from selection.show.page.fragments import Fragment, bullets, fold, foremost_first, heading, join, table

CAUTIONS = (
    "Rings: look at growing birds' rings weekly at least; an outgrown ring injures; do not count on a clip to "
    "spring open (common practice, no source).",
    "Culling, medicines, eggs within a withdrawal period, notices of disease, registration, moving and selling "
    "birds: local law, club rules and a veterinary surgeon decide, not this pack.",
    "A rank is not a promise: read each bird's interval and its chance before its place.",
)

METHOD = (
    (
        "Weights",
        "Birds are weighed at different ages. A growth curve for each sex is fitted to the holding's own weighings "
        "(Gompertz's curve; Winsor 1932, Proc. Natl. Acad. Sci. 18:1–8, from memory), and each bird is held against "
        "its own sex's curve at one age.",
    ),
    (
        "Points",
        "One judge marks higher than another, and higher on one day than on the next. Those levels are taken off "
        "first; then a bird's looks are averaged. A section nobody scored is left open: it never counts as nothing.",
    ),
    (
        "Parents",
        "Every chick has shares in its possible parents by who stood in the pen when the eggs were laid. Suppliers' "
        "birds, never seen, are founders of their own. Relationship and inbreeding follow (Henderson 1976, Biometrics "
        "32:69–83; Quaas 1976, Biometrics 32:949–953; for uncertain parents Henderson 1988, J. Anim. Sci. 66:1614, "
        "from memory).",
    ),
    (
        "Merit",
        "All sections and weights of all birds, gone ones included, go into one calculation (a mixed model, "
        "Henderson's) that parts what a bird passes on from what it owes to its clutch, brooder, judge and day. "
        "Relatives' looks count for a bird by how closely they are related.",
    ),
    (
        "How sure",
        "How strongly a section is inherited starts from published values and moves by the holding's own records. "
        "What is not known of that is in every interval. Chances come from drawing the whole flock's merits many "
        "times over and counting how often a bird comes out among the best.",
    ),
    (
        "Verdicts",
        "A serious fault bars, whoever saw it. Of the rest, the set with the most merit stays, under the plan's "
        "ceiling on relationship. Another look is proposed where seeing two to four birds side by side is worth more "
        "than the plan asks for.",
    ),
    (
        "Laying",
        "Eggs are counted by pen. What each hatch year laid is worked out from who stood where on which day; hatch "
        "years that the counts cannot tell apart share a row.",
    ),
    (
        "Inbreeding",
        "F of the chicks is half the relationship of their parents (Wright 1922, Am. Nat. 56:330–338, from memory). "
        "Where parents are in doubt the worst case stands beside it.",
    ),
    (
        "The years ahead",
        "Genes are dropped by chance through the real pedigree and on through chicks of years to come, whose breeders "
        "are chosen as well as this season's records allow (after MacCluer and others 1986, Zoo Biol. 5:147, from "
        "memory). Bought-in cockerels bring their supplier's level and blood.",
    ),
    (
        "Prices",
        "What a bird has cost is its share of the bills; what it may bring is read from the holding's own past "
        "sales, by kind, sex, age and points, with the spread that such sales have shown.",
    ),
)

GLOSSARY = (
    (
        "90 % interval",
        "a range that holds the truth nine times in ten, if the calculation's assumptions hold",
    ),
    (
        "Accuracy",
        "how well a merit is known, from 0 (not at all) to 1: under 0.6 little, under 0.8 fairly, else well",
    ),
    ("Band", "the weights that earn full points at the standard's age"),
    ("Barred", "kept from breeding by a serious fault that somebody saw"),
    (
        "Can be compared",
        "the records hold enough to give a figure for a difference, however wide its interval: clutches reared and "
        "judged apart do not, nor do hatch years that always stood together",
    ),
    ("Chance of a place", "how likely the bird is, on merit, to be among the number the plan keeps"),
    ("Clutch", "eggs set together from one pen or one supplier, and the chicks from them"),
    (
        "Effective size, N_e",
        "how many birds, mated by lot in a closed flock, would become inbred as fast as this one",
    ),
    (
        "F, inbreeding",
        "the chance that a chick has the same gene twice from one ancestor: 0.25 from brother and sister, 0.0625 "
        "from first cousins",
    ),
    (
        "Head start",
        "what is known of a bird before a look, in points of merit; tonight's points are added to it",
    ),
    ("Hen-day", "one hen alive on one counted day; eggs a hen-day is eggs divided by hen-days"),
    ("Heritability", "the share of birds' differences in a section that is passed on"),
    ("Look", "one judge scoring one bird once"),
    (
        "Merit",
        "what a bird passes on, in points above or below the mean of its group; its chicks take half from each parent",
    ),
    (
        "Own value",
        "what the bird itself is, in points against all living birds of its sex, young and old: for show and sale, "
        "not for breeding",
    ),
    ("Points of 100", "points seen, with those nobody gave predicted from the rest"),
    (
        "Points that count",
        "a section's own points times the worth that the plan gives it: 20 points at a worth of 1.5 count as 30",
    ),
    (
        "Relationship",
        "how much of the same blood two birds carry: 0.5 between full sibs, 0.25 between half sibs",
    ),
    ("Repeatability", "how alike two looks at one bird are: 1 is the same, 0 no more than two birds"),
    (
        "Told apart",
        "of two birds: the one of more merit is truly above the other with a chance of 95 in 100 or more",
    ),
)


def cautions() -> Fragment:
    """What every output of this kind must say."""
    return bullets(CAUTIONS)


def worked_out(meeting: Meeting) -> Fragment:
    """How it was worked out, in plain words with sources; what it rests on; how strongly sections are inherited."""
    steps = Markup("").join(
        Markup("<div><dt>{}</dt><dd>{}</dd></div>").format(name, words) for name, words in METHOD
    )
    pieces: list[Markup] = [Fragment('<dl class="glossary">{}</dl>').format(steps)]
    pieces += [
        heading("What it rests on here"),
        foremost_first([*meeting.merit.sentences, *meeting.merit.cannot], "All that it rests on", "small"),
        fold(
            "How strongly each section is inherited", inherited(meeting.merit, meeting.flock.standard), False
        ),
    ]
    return join(pieces)


def inherited(merit: Merit, standard: Standard) -> Fragment:
    """Heritability of each section: what was published, what the holding's records say alone, the result."""
    named = {s.name: s.title for s in standard.sections} | {
        m.name: m.title or m.name for m in standard.measured
    }
    rows = [
        {
            "trait": named.get(r.trait, r.trait),
            "records": f"{r.records:,}",
            "prior": f"{r.heritability_prior:.2f}",
            "own": "" if missing(r.heritability_own) else f"{r.heritability_own:.2f}",
            "result": f"{r.heritability:.2f} ({r.heritability_low:.2f} to {r.heritability_high:.2f})",
            "source": r.source,
        }
        for r in each(merit.traits)
    ]
    columns = {
        "trait": "Section or trait",
        "records": "Numbers",
        "prior": "Beforehand",
        "own": "Records alone",
        "result": "Used (90 %)",
        "source": "Beforehand from",
    }
    caption = "Heritability: before the records, by the records alone, and as used"
    return table(
        rows, columns, caption, ["records", "prior", "own"], empty="Nothing recorded yet.", kind="stack small"
    )


def glossary() -> Fragment:
    """The terms used, in a line each."""
    return Fragment('<dl class="glossary">{}</dl>').format(
        Markup("").join(
            Markup("<div><dt>{}</dt><dd>{}</dd></div>").format(term, f"{words}.") for term, words in GLOSSARY
        )
    )
