# The day board: whatever exists when it is asked for. It is a call of its own after the jobs (workflow/night.sh), for
# with a failed job a rule over all jobs is never built; and it never sets a computation off. `update` keeps the old
# board until the script puts the new one in its place.
localrules:
    board,


rule board:
    output:
        json=update("results/board/board.json"),
        page=update("results/board/board/index.html"),
    log:
        "logs/board/board.log",
    conda:
        "../../envs/conda.yaml"
    resources:
        mem_mb=500,
        runtime=15,
    params:
        plan=board_plan(PLAN, Path.cwd()),
        reports=lambda wildcards: {
            job: provenance.content(f"results/{job}/report/{job}.json") for job in sorted(PLAN.jobs)
        },
        events={
            path.name: provenance.content(path) for path in Path(night_events.FOLDER).glob(f"*{night_events.ENDING}")
        },
        code=provenance.code_hash("board"),
    script:
        "../scripts/board.py"
