"""What an administrator keeps and everybody reads: instruments with calibrations, contracts; and the accounts."""

from datetime import date

from flask import Blueprint, flash, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue
from flask_wtf.file import FileField
from wtforms import Field, PasswordField, SelectField, StringField

from inspect_app import workflow
from inspect_app.definitions.values import Contract
from inspect_app.documents.outlook_lines import outlook_lines
from inspect_app.errors import NotAllowed, NotFound, UnusableInput
from inspect_app.model import Calibration, Instrument, Role
from inspect_app.web import here, shown, shown_contract
from inspect_app.web.fields import DayField, PageForm, needed

bp = Blueprint("admin", __name__)

_CONTRACT_BYTES_AT_MOST = 1 << 20


class InstrumentForm(PageForm):
    """A new instrument."""

    kind = StringField("Kind", needed("Enter the kind."), description="As the forms ask for it, like illuminance meter")
    name = StringField("Maker and model", needed("Enter maker and model."))
    serial = StringField("Serial", needed("Enter the serial."))


def _day(label: str, missing: str) -> Field:
    return DayField(label, needed(missing), description="Year-month-day, like 2026-11-25")


class CalibrationForm(PageForm):
    """A new calibration of one instrument."""

    certificate = StringField("Calibration certificate", needed("Enter the number of the certificate."))
    laboratory = StringField("Laboratory", needed("Enter the laboratory."))
    calibrated_on = _day("Calibrated on", "Enter the day of calibration.")
    due_on = _day("Due on", "Enter the day when it is due.")


class ContractForm(PageForm):
    """A contract file."""

    source = FileField("Contract file", description="A TOML file; its first lines explain how it is written")


class AccountForm(PageForm):
    """A new account."""

    login = StringField("Login", needed("Enter a login."))
    name = StringField("Name", needed("Enter the name as it is to stand on documents."))
    role = SelectField(
        "Role", needed("Choose a role."), choices={"": "Choose"} | {role.value: role.value for role in Role}
    )
    password = PasswordField(
        "First password", needed("Enter a password."), description="15 characters or more; to be changed by its owner"
    )


class NewPasswordForm(PageForm):
    """A new password for somebody who lost theirs."""

    new_password = PasswordField("New password", needed("Enter a password."), description="15 characters or more")


@bp.get("/instruments")
def instruments() -> str:
    """List the instruments with the state of their calibrations."""
    return _instruments_page(InstrumentForm(formdata=None))


@bp.post("/instruments")
@here.allowed_to("keep")
def add_instrument() -> ResponseReturnValue:
    """Register an instrument."""
    form = InstrumentForm()
    if form.validate():
        made = form.accept(
            lambda: workflow.add_instrument(
                here.workplace(), here.person(), form.kind.data, form.name.data, form.serial.data
            )
        )
        if made is not None:
            return redirect(url_for("admin.instrument", instrument_id=made.id), 303)
    return _instruments_page(form), 422


@bp.get("/instruments/<int:instrument_id>")
def instrument(instrument_id: int) -> str:
    """Show an instrument with all its calibrations."""
    return _instrument_page(instrument_id, CalibrationForm(formdata=None))


@bp.post("/instruments/<int:instrument_id>")
@here.allowed_to("keep")
def add_calibration(instrument_id: int) -> ResponseReturnValue:
    """Enter a calibration."""
    form = CalibrationForm()
    if form.validate() and form.accept(lambda: _calibrate(instrument_id, form)):
        flash("The calibration is entered.")
        return redirect(url_for("admin.instrument", instrument_id=instrument_id), 303)
    return _instrument_page(instrument_id, form), 422


@bp.get("/contracts")
def contracts() -> str:
    """List the contracts in their newest revisions."""
    return _contracts_page(ContractForm(formdata=None))


@bp.post("/contracts")
@here.allowed_to("keep")
def adopt_contract() -> ResponseReturnValue:
    """Adopt a contract, or a new revision of one."""
    form = ContractForm()
    adopted = form.accept(_adopt, field="source") if form.validate() else None
    if adopted is None:
        return _contracts_page(form), 422
    flash(f"Contract {adopted.number}, revision {adopted.revision}, is in force for new inspections.")
    return redirect(url_for("admin.contract", number=adopted.number), 303)


@bp.get("/contracts/<number>")
def contract(number: str) -> str:
    """Show what a contract demands of each device class."""
    found = workflow.contract(here.workplace(), number, request.args.get("revision"))
    return render_template(
        "admin/contract.html",
        contract=found,
        classes=shown_contract.contract_classes(found),
        outlook=outlook_lines(found, workflow.forms_at_the_bench(here.workplace())),
    )


@bp.get("/accounts")
def accounts() -> str:
    """List the accounts."""
    _prove_reader_of_accounts()
    return _accounts_page(AccountForm(formdata=None))


@bp.post("/accounts")
@here.allowed_to("keep")
def add_account() -> ResponseReturnValue:
    """Open an account."""
    form = AccountForm()
    if form.validate() and form.accept(
        lambda: workflow.add_account(
            here.workplace(), here.person(), form.login.data, form.name.data, Role(form.role.data), form.password.data
        )
    ):
        flash(f"The account {form.login.data} is open.")
        return redirect(url_for("admin.accounts"), 303)
    return _accounts_page(form), 422


@bp.get("/accounts/<int:account_id>")
@here.allowed_to("keep")
def account(account_id: int) -> str:
    """Show one account and what can be done with it."""
    return _account_page(account_id, NewPasswordForm(formdata=None))


@bp.post("/accounts/<int:account_id>/password")
@here.allowed_to("keep")
def set_password(account_id: int) -> ResponseReturnValue:
    """Give an account a new password."""
    form = NewPasswordForm()
    if form.validate() and form.carries_out(
        lambda: workflow.set_password(here.workplace(), here.person(), account_id, form.new_password.data),
        field="new_password",
    ):
        flash("The password is set.")
        return redirect(url_for("admin.account", account_id=account_id), 303)
    return _account_page(account_id, form), 422


@bp.post("/accounts/<int:account_id>/active")
@here.allowed_to("keep")
def set_active(account_id: int) -> ResponseReturnValue:
    """Close an account, or open it again."""
    is_active = request.form.get("is_active") == "yes"
    workflow.set_active(here.workplace(), here.person(), account_id, is_active=is_active)
    flash("The account is open again." if is_active else "The account is closed.")
    return redirect(url_for("admin.account", account_id=account_id), 303)


def _adopt() -> Contract:
    upload = request.files.get("source")
    if upload is None or not upload.filename:
        raise UnusableInput("contract file", "no file was chosen", "Choose the contract's TOML file.")
    content = upload.stream.read(_CONTRACT_BYTES_AT_MOST + 1)
    if len(content) > _CONTRACT_BYTES_AT_MOST:
        raise UnusableInput(upload.filename, "it is larger than a contract can be", "Choose the contract's TOML file.")
    try:
        text = content.decode("utf-8")
    except UnicodeDecodeError as error:
        raise UnusableInput(upload.filename, "it is not text in UTF-8", "Save it as UTF-8 text.") from error
    return workflow.adopt_contract(here.workplace(), here.person(), text, upload.filename)


def _calibrate(instrument_id: int, form: CalibrationForm) -> Instrument:
    return workflow.add_calibration(
        here.workplace(),
        here.person(),
        instrument_id,
        Calibration(
            certificate=form.certificate.data,
            laboratory=form.laboratory.data,
            calibrated_on=form.calibrated_on.data,
            due_on=form.due_on.data,
        ),
    )


def _prove_reader_of_accounts() -> None:
    if not here.may_read_accounts():
        raise NotAllowed("accounts", f"your account ({here.person().role}) does not show them", "Ask an administrator.")


def _today() -> date:
    return here.workplace().clock().date()


def _instruments_page(form: InstrumentForm) -> str:
    found = workflow.instruments(here.workplace())
    return render_template("admin/instruments.html", instruments=shown.instruments(found, _today()), form=form)


def _instrument_page(instrument_id: int, form: CalibrationForm) -> str:
    found = next((one for one in workflow.instruments(here.workplace()) if one.id == instrument_id), None)
    if found is None:
        raise NotFound("instrument", "there is no such instrument", "Choose one of the list.")
    return render_template("admin/instrument.html", one=shown.instruments([found], _today())[0], form=form)


def _contracts_page(form: ContractForm) -> str:
    return render_template("admin/contracts.html", contracts=workflow.contracts(here.workplace()), form=form)


def _accounts_page(form: AccountForm) -> str:
    return render_template("admin/accounts.html", accounts=workflow.accounts(here.workplace()), form=form)


def _account_page(account_id: int, form: NewPasswordForm) -> str:
    found = workflow.person(here.workplace(), account_id)
    if found is None:
        raise NotFound("account", "there is no such account", "Choose one of the list.")
    return render_template("admin/account.html", account=found, form=form)
