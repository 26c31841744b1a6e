# The vehicle frame: ground plane, symmetry plane, axles.
rule frame:
    input:
        **inputs_of("frame"),
    output:
        json="results/{job}/frame/{part}.json",
        data=directory("results/{job}/frame/{part}"),
    log:
        "logs/{job}/frame/{part}.log",
    benchmark:
        "benchmarks/{job}/frame/{part}.tsv"
    priority: priority_of("frame")
    retries: RETRIES
    conda:
        "../../envs/conda.yaml"
    threads: 1
    resources:
        **needs_of("frame"),
    params:
        settings=settings_of("frame"),
        sheet=sheet_of("frame"),
        code=provenance.code_hash("frame"),
    script:
        "../scripts/frame.py"
