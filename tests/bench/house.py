"""The house: modules outside their rooms, broken contracts, type errors, retired words, undocumented names; the sizes
of functions. The last line is one JSON object.
"""

import json

import code_rules


def main():
    """Print what is amiss, a line each, then the figures."""
    found = {
        "modules_flat": code_rules.flat_modules(),
        "broken_contracts": code_rules.broken_contracts(),
        "type_errors": code_rules.type_errors(),
        "retired_words": code_rules.retired_words(),
        "undocumented_public": code_rules.undocumented_public(),
        "unannotated_public": code_rules.unannotated_public(),
    }
    for name, places in found.items():
        for place in places:
            print(f"{name}: {place}")
    lines, longest = code_rules.longest_function()
    count, most = code_rules.most_parameters()
    figures = {name: len(places) for name, places in found.items()} | {
        "longest_function": [lines, longest],
        "most_parameters": [count, most],
    }
    print(json.dumps(figures))


if __name__ == "__main__":
    main()
