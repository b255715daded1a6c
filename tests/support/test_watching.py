"""What a watcher is told of activities within each other."""

from lightlathe.support.watching import case, doing, step, watched


def test_an_activity_of_one_of_several_cases_says_which():
    told = []
    with watched(lambda words, done, of, _: told.append((words, done, of))), doing("all", of=2):
        for number in (1, 2):
            with case(number, 2), doing("inner"):
                pass
            step(number)
    assert told == [
        ("all", 0, 2), ("1 of 2: inner", 0, None), ("all", 0, 2), ("all", 1, 2),
        ("2 of 2: inner", 0, None), ("all", 1, 2), ("all", 2, 2), ("", 0, None),
    ]  # fmt: skip


def test_each_assumption_is_told_by_its_number(small_job, tmp_path):
    from lightlathe import pipeline
    from lightlathe.flow.what_if import cases, what_ifs
    from lightlathe.job import parse_job

    record = pipeline.design(parse_job(small_job(iterations=1), name="disc", folder=tmp_path))
    count, told = len(list(cases(pipeline.job_of(record), 10.0))), set()
    with watched(lambda words, *_: told.add(words)):
        what_ifs(record, finer=False)
    assert {f"{n} of {count}: predicting the print" for n in range(1, count + 1)} <= told
