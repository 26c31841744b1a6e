"""What was done comes from the stages that ran."""

from nightbay.report.part import parts_of
from nightbay.report.work_done import work_done
from report_pages import upstream

REASON = {"stage": "network", "segment": None, "sentence": "Segment roof shares 3 targets; at least four are needed."}


def test_stages_that_ran_have_their_sentence_in_order(whole):
    sentences = work_done(parts_of(whole)[0])
    assert "read: " in sentences[0] and "were removed, each with its reason" in sentences[1]
    assert any("closed and marked" in sentence for sentence in sentences)
    assert not any("fused" in sentence for sentence in sentences)  # the fixture has no result of fuse


def test_what_never_ran_is_not_told(whole, tmp_path):
    for name in ("network", "refine", "frame", "fuse", "fill", "reduce", "deliver", "measure"):
        whole[name] = [upstream(name, {}, tmp_path, status="rejected", reasons=[REASON])]
    sentences = work_done(parts_of(whole)[0])
    assert not any(word in " ".join(sentences) for word in ("fused", "closed", "level", "frame"))
    assert sentences[-1] == "The work on the exterior ended at the stage network."
