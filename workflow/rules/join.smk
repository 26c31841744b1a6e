# The interior set into the exterior, for jobs with both parts: pose, wall thickness, models in one frame.
rule join:
    input:
        **inputs_of("join"),
    output:
        json="results/{job}/join/{job}.json",
        data=directory("results/{job}/join/{job}"),
    log:
        "logs/{job}/join/{job}.log",
    benchmark:
        "benchmarks/{job}/join/{job}.tsv"
    priority: priority_of("join")
    retries: RETRIES
    conda:
        "../../envs/conda.yaml"
    threads: 1
    resources:
        **needs_of("join"),
    params:
        settings=settings_of("join"),
        sheet=sheet_of("join"),
        code=provenance.code_hash("join"),
    script:
        "../scripts/join.py"
