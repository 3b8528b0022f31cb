"""`lobedesk valve-timing`: figures in the terminal, and faults as the API names them."""

from click.testing import CliRunner

from service.cli import main


def run(*arguments):
    return CliRunner().invoke(main, ["valve-timing", *arguments])


def test_four_events_are_worked_out():
    done = run(
        "--checking-lift", "0.050", "intake_opens=20", "intake_closes=60", "exhaust_opens=60,61", "exhaust_closes=20"
    )
    assert done.exit_code == 0, done.output
    assert any(line.split()[:3] == ["lobe", "separation", "110.1"] for line in done.output.splitlines())
    assert "piston stop" in done.output


def test_a_stop_a_card_and_another_checking_lift_are_taken():
    done = run(
        "--checking-lift", "0.050", "--stop", "36,36", "--stated", "lobe_separation=110", "--lift", "0.313",
        "--also-at", "0.020@valve", "intake_opens=20", "intake_closes=60",
    )  # fmt: skip
    assert done.exit_code == 0, done.output
    assert "Worked over to 0.0200 in at the valve" in done.output
    assert "piston stop" not in done.output


def test_a_name_nobody_knows_is_refused():
    done = run("--checking-lift", "0.050", "nose=20")
    assert done.exit_code == 1
    assert "/readings/0/what" in done.output
