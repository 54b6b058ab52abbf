"""What may be written for each goal of a brief: the forms by the word that names the goal."""

from __future__ import annotations

from plans.series_forms import BracketForm, LadderForm, NoiseForm
from plans.set_forms import CompareForm, FaultsForm, FocusBracketForm, PerspectiveForm, PolariserForm
from plans.single_forms import DeepForm, FreezeForm, IsolateForm, SilkForm
from plans.subject_forms import SubjectName, off_known_scale
from plans.timelapse_forms import TimelapseForm

__all__ = ["GOAL_FORMS", "SINGLE_FORMS", "CompareForm", "SubjectName", "off_known_scale"]

SingleForm = FreezeForm | SilkForm | IsolateForm | DeepForm
GoalForm = (
    SingleForm
    | LadderForm
    | NoiseForm
    | BracketForm
    | FocusBracketForm
    | FaultsForm
    | PerspectiveForm
    | PolariserForm
    | TimelapseForm
)

SINGLE_FORMS: dict[str, type[SingleForm]] = {
    "freeze": FreezeForm,
    "silk": SilkForm,
    "isolate": IsolateForm,
    "deep": DeepForm,
}
GOAL_FORMS: dict[str, type[GoalForm]] = {
    **SINGLE_FORMS,
    "ladder": LadderForm,
    "noise": NoiseForm,
    "bracket": BracketForm,
    "focus-bracket": FocusBracketForm,
    "faults": FaultsForm,
    "perspective": PerspectiveForm,
    "polariser": PolariserForm,
    "timelapse": TimelapseForm,
}
