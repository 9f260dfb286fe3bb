"""Every code that a reading may carry: what it means and what to do differently.

A code with ``rejects=True`` means the photo gave no measures; the others are notes on an accepted
reading.
"""

from dataclasses import dataclass

__all__ = ["NOTES", "REASONS", "REJECTIONS", "Reason"]


@dataclass(frozen=True, slots=True)
class Reason:
    """A reason code with its sentence and the advice to the photographer."""

    code: str
    rejects: bool
    means: str
    do: str


_ALL = (
    Reason(
        "no-card",
        True,
        "No colour card was found.",
        "Lay the whole card beside the specimen, flat, markers free of glare.",
    ),
    Reason("two-cards", True, "Two cards are in the picture.", "Leave one card in view."),
    Reason(
        "card-cut",
        True,
        "Part of the card is outside the picture or covered.",
        "Step back until the whole card is in view.",
    ),
    Reason(
        "card-small",
        True,
        "The card is too small in the picture.",
        "Go closer: 30 to 50 cm above the card.",
    ),
    Reason(
        "tilted", True, "The camera was tilted too far.", "Hold the phone straight above the card."
    ),
    Reason(
        "blurred",
        True,
        "The picture is out of focus.",
        "Tap on the card to focus, wipe the lens, hold still.",
    ),
    Reason(
        "motion",
        True,
        "The picture is smeared by movement.",
        "Brace your hands, pumps off, more light.",
    ),
    Reason("too-dark", True, "The picture is too dark.", "More white light, no flash."),
    Reason(
        "clipped",
        True,
        "Bright parts are burnt out.",
        "Lower the exposure until white patches are not glaring.",
    ),
    Reason(
        "glare",
        True,
        "Reflections cover the specimen or the card.",
        "Move the lamp or yourself until the reflections are gone.",
    ),
    Reason(
        "ripple",
        True,
        "The card's marks do not lie on one plane: moving water, or a moved phone.",
        "Pumps off, wait until the water is still, brace your hands.",
    ),
    Reason(
        "unreadable",
        True,
        "The picture file is damaged.",
        "Copy it again from the phone, or take it again.",
    ),
    Reason("empty", True, "The file is empty.", "Copy it again from the phone."),
    Reason(
        "not-a-picture",
        True,
        "The file is not a picture although its name says so.",
        "Leave it out of the folder.",
    ),
    Reason(
        "too-large",
        True,
        "The picture is larger than polypward opens.",
        "Save it as a JPEG of at most 200 megapixels, or as another kind of at most 125.",
    ),
    Reason(
        "no-date",
        True,
        "The time of the photo is not known.",
        "Copy the original (messengers drop dates), or give taken_at in a manifest.",
    ),
    Reason(
        "future-date",
        True,
        "The photo is dated in the future.",
        "Set the camera's clock, then correct the photo's time in a manifest.",
    ),
    Reason(
        "no-specimen",
        True,
        "Nobody said which specimen this is.",
        "Put it in a folder named after the specimen, or: polypward assign PHOTO --to SPECIMEN. "
        "polypward assign alone lists such photos beside those they may show.",
    ),
    Reason(
        "specimen-conflict",
        True,
        "Two different specimens are named for this photo.",
        "Say which one: polypward assign PHOTO --to SPECIMEN.",
    ),
    Reason(
        "several-specimens",
        True,
        "More than one specimen is in the picture.",
        "Photograph one at a time. Or lay each one's own tag close beside it, a hand from the "
        "next, with the card in view: then each is measured by its tag.",
    ),
    Reason(
        "tag-unclear",
        True,
        "Several specimens are in the picture and it is not clear which one this tag belongs to.",
        "Lay each tag close to its own specimen, away from the others.",
    ),
    Reason(
        "needs-raw",
        True,
        "This is a camera's raw file, for which an extra is not installed.",
        'Install it (pip install "polypward[raw]"), or save the photo as TIFF or JPEG.',
    ),
    Reason(
        "unsure",
        True,
        "The tissue map is too unsure to be counted.",
        "Take the photo again in even white light, on a plain ground, or draw the outline yourself "
        "(--outline).",
    ),
    Reason(
        "nothing-found",
        True,
        "No specimen was found in the window or beside the card.",
        "Put the specimen in the card's window, or where the arrow points.",
    ),
    Reason(
        "measuring-failed",
        True,
        "polypward itself failed on this photo.",
        "Keep the photo and report it; the other photos are not affected.",
    ),
    Reason(
        "dropped",
        True,
        "A person took this photo out.",
        "To take it in again: polypward assign PHOTO --to SPECIMEN.",
    ),
    Reason(
        "zone-assumed",
        False,
        "The photo's time has no time zone; the ward's was taken.",
        "Check the time zone in ward.toml.",
    ),
    Reason(
        "serial-assumed",
        False,
        "The card's serial was not readable; the ward's only card of this kind was taken.",
        "Keep the square code on the card clean.",
    ),
    Reason(
        "serial-unknown",
        False,
        "The card's serial was not readable.",
        "Keep the square code on the card clean.",
    ),
    Reason(
        "no-height",
        False,
        "Height above the card is not known; areas are in the card's plane.",
        "Give --height-mm, best with the card at the specimen's mid-height.",
    ),
    Reason(
        "no-focal",
        False,
        "The focal length is not known; tilt and distance are not available.",
        "Copy the original photo, whose data hold it.",
    ),
    Reason(
        "tilt-noted",
        False,
        "The camera was tilted by more than 15 degrees.",
        "Hold the phone straight above the card.",
    ),
    Reason(
        "no-print-scale",
        False,
        "The print of this card was never measured; 1 % is added to the scale's uncertainty.",
        "polypward card check --serial S --bar-mm X Y",
    ),
    Reason(
        "colour-uncertain",
        False,
        "The colour correction is uncertain.",
        "White light only; blue channels off.",
    ),
    Reason(
        "colour-refused",
        False,
        "The colour could not be corrected, so no colour is given.",
        "White light only; blue channels off.",
    ),
    Reason(
        "colour-spoiled",
        False,
        "Too much of the specimen is burnt out or shines; areas are given, its colour is not.",
        "Lower the exposure; move the lamp or yourself until nothing on the coral shines.",
    ),
    Reason(
        "light-changed",
        False,
        "The light differs from the ward's usual.",
        "Photograph under the same lamp, same settings.",
    ),
    Reason(
        "no-card-scale",
        False,
        "Measured without a card, by the scale given.",
        "Use the card for colour and for a checked scale.",
    ),
    Reason(
        "edge-reached",
        False,
        "The specimen reaches the edge of the cut-out; what lies beyond is not counted.",
        "Centre the specimen in the card's window, or use the strip.",
    ),
    Reason("outline-used", False, "A person's outline was used.", ""),
    Reason(
        "outline-carried",
        False,
        "A person's outline of an earlier photo was laid over this one by its skeleton.",
        "Look at it in the report; draw a new one where it does not fit (--outline).",
    ),
    Reason(
        "outline-not-carried",
        False,
        "The outline drawn on an earlier photo could not be laid over this one for sure.",
        "Draw one for this photo (--outline) where the map is wrong.",
    ),
    Reason("map-corrected", False, "A person corrected the tissue map.", ""),
    Reason(
        "tray",
        False,
        "Several specimens were measured in this photo, each by its own tag.",
        "",
    ),
    Reason(
        "clipped-some",
        False,
        "Some pixels are burnt out and were left out of the colour.",
        "Lower the exposure a little.",
    ),
    Reason(
        "glare-some",
        False,
        "Reflections on the specimen were left out of the colour.",
        "Move the lamp a little.",
    ),
    Reason(
        "unsure-some",
        False,
        "The tissue map is less sure than usual; its areas may be off.",
        "Look at the outlines in the report. Where they are wrong, photograph again in even "
        "light, or correct the map (polypward teach).",
    ),
    Reason(
        "soft", False, "The picture is a little soft.", "Tap on the card to focus, wipe the lens."
    ),
)

REASONS: dict[str, Reason] = {reason.code: reason for reason in _ALL}
REJECTIONS = frozenset(code for code, reason in REASONS.items() if reason.rejects)
NOTES = frozenset(REASONS) - REJECTIONS
