# Quantities of the scanner from the calibrated artefacts that were scanned with the vehicles.
rule artefact:
    input:
        **inputs_of("artefact"),
    output:
        json="results/{job}/artefact/{part}.json",
        data=directory("results/{job}/artefact/{part}"),
    log:
        "logs/{job}/artefact/{part}.log",
    benchmark:
        "benchmarks/{job}/artefact/{part}.tsv"
    priority: priority_of("artefact")
    retries: RETRIES
    conda:
        "../../envs/conda.yaml"
    threads: 1
    resources:
        **needs_of("artefact"),
    params:
        settings=settings_of("artefact"),
        sheet=sheet_of("artefact"),
        code=provenance.code_hash("artefact"),
    script:
        "../scripts/artefact.py"
