"""What can go wrong that the user can mend.

FlatMeasureError
 +-- PhotoUnreadable       the file is no picture we read, is damaged, or is too large
 +-- PhotoUnusable         readable, but too dark or too blurred to be measured
 +-- ReferenceNotFound     no square, rectangle or coded square of known size in the picture
 +-- ReferenceImplausible  a reference is covered, bent, or does not fit its stated size
 +-- ClothNotFound         nothing that looks like cloth on the mat
 +-- OptionInvalid         a length, unit or setting that makes no sense
 +-- PieceUnreadable       a file of measured pieces that is damaged or is something else
 +-- PatternInvalid        a pattern piece that is open, crosses itself, or has an absurd size
 +-- ProfileUnreadable     a file of a lens profile that is damaged or is something else
 +-- ViewsUnfit            too few or too similar photos to calibrate a lens

Every message is one or two plain sentences: what is wrong with which input, and what to do.
A programmer's mistake stays a ``ValueError`` or ``TypeError``. A weak result is given with a `Note`.
"""

from dataclasses import dataclass


class FlatMeasureError(Exception):
    """Base of everything a user can cause and mend."""


class PhotoUnreadable(FlatMeasureError):  # noqa: N818 - named for what the user sees
    """The file cannot be read as a photo."""


class PhotoUnusable(FlatMeasureError):  # noqa: N818
    """The photo can be read but not measured."""


class ReferenceNotFound(FlatMeasureError):  # noqa: N818
    """No reference of known size was found."""


class ReferenceImplausible(FlatMeasureError):  # noqa: N818
    """A reference is covered, bent or contradicts its stated size."""


class ClothNotFound(FlatMeasureError):  # noqa: N818
    """Nothing that looks like cloth was found."""


class OptionInvalid(FlatMeasureError):  # noqa: N818
    """An option's value makes no sense."""


class PieceUnreadable(FlatMeasureError):  # noqa: N818
    """A file cannot be read as measured pieces."""


class PatternInvalid(FlatMeasureError):  # noqa: N818
    """A pattern piece cannot be read or cut."""


class ProfileUnreadable(FlatMeasureError):  # noqa: N818
    """A file cannot be read as a lens profile."""


class ViewsUnfit(FlatMeasureError):  # noqa: N818
    """Photos do not show enough of a lens to calibrate it."""


@dataclass(frozen=True)
class Note:
    """A warning that travels with a result.

    Attributes
    ----------
    code : str
        Stable name for programs, such as ``"cloth-cut-off"``.
    message : str
        What is wrong, one sentence.
    advice : str
        What to do, one sentence.
    """

    code: str
    message: str
    advice: str
