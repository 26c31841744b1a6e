# The page of a job, from every JSON that its stages left, rejected ones too.
rule report:
    input:
        **inputs_of("report"),
    output:
        json="results/{job}/report/{job}.json",
        data=directory("results/{job}/report/{job}"),
    log:
        "logs/{job}/report/{job}.log",
    benchmark:
        "benchmarks/{job}/report/{job}.tsv"
    priority: priority_of("report")
    retries: RETRIES
    conda:
        "../../envs/conda.yaml"
    threads: 1
    resources:
        **needs_of("report"),
    params:
        settings=settings_of("report"),
        sheet=sheet_of("report"),
        code=provenance.code_hash("report"),
    script:
        "../scripts/report.py"
