"""Line numbers of places, on texts whose lines can be counted by eye."""

from keydiag.board.places import find_places


def test_tables_fields_and_elements():
    text = """\
format = 1            # a comment with = and [
[row.R1]
pin = "PD1 # no [comment]"
path = [
    "L11",
    ["L21",
     "L22"],          # a branch
    # "L99",
    "L12", "L13",
]
[key."Ä 1"]
at = [0.0, 1.0]
"""
    assert find_places(text) == {
        "format": 1,
        "row": 2,
        "row.R1": 2,
        "row.R1.pin": 3,
        "row.R1.path": 4,
        "row.R1.path[0]": 5,
        "row.R1.path[1]": 6,
        "row.R1.path[1][0]": 6,
        "row.R1.path[1][1]": 7,
        "row.R1.path[2]": 9,
        "row.R1.path[3]": 9,
        "key": 11,
        "key.Ä 1": 11,
        "key.Ä 1.at": 12,
        "key.Ä 1.at[0]": 12,
        "key.Ä 1.at[1]": 12,
    }


def test_dotted_names_long_strings_and_inline_tables():
    text = '''\
row.R1.pin = "PD1"
name = """two
lines ] = [
"""
key = { L11 = { at = [0, 0] } }
chip = 'x'
'''
    assert find_places(text) == {"row.R1.pin": 1, "name": 2, "key": 5, "chip": 6}


def test_text_that_is_no_toml_still_ends():
    for text in ("= = =", "[", "a = [", "]", 'a = "', "a", "[a]]]\nb = }"):
        assert isinstance(find_places(text), dict)
