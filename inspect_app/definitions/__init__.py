"""Forms and contracts: TOML files become frozen values, or one error that names file, place and way out."""

from inspect_app.definitions.answered import step_results
from inspect_app.definitions.cautions import CAUTIONS, HARMLESS
from inspect_app.definitions.contracts import read_contract, read_contract_text
from inspect_app.definitions.coverage import prove_covered
from inspect_app.definitions.forms import forms_folder, read_form, read_form_text, read_forms
from inspect_app.definitions.outlook import Outlook, Trouble, look_ahead
from inspect_app.definitions.values import Contract, ExpectedDoubt, Form, OptionValue, Question, Step, Window

__all__ = [
    "CAUTIONS",
    "HARMLESS",
    "Contract",
    "ExpectedDoubt",
    "Form",
    "OptionValue",
    "Outlook",
    "Question",
    "Step",
    "Trouble",
    "Window",
    "forms_folder",
    "look_ahead",
    "prove_covered",
    "read_contract",
    "read_contract_text",
    "read_form",
    "read_form_text",
    "read_forms",
    "step_results",
]
