"""A layout repeated in the background."""

from qgis.core import (
    QgsApplication,
    QgsProcessingAlgRunnerTask,
    QgsProcessingContext,
    QgsProcessingFeedback,
    QgsProject,
)

_RUNNING = []  # a task without an owner is collected while it runs


def start(algorithm, parameters, on_end):
    """Run an algorithm of the toolbox; `on_end` is given the sentence of a refusal, or ''."""
    context, feedback = QgsProcessingContext(), QgsProcessingFeedback()
    context.setProject(QgsProject.instance())
    found = QgsApplication.processingRegistry().createAlgorithmById(algorithm)
    task = QgsProcessingAlgRunnerTask(found, parameters, context, feedback)
    kept = (task, found, context, feedback)
    _RUNNING.append(kept)

    def ended(is_done, _):
        """Tell how the run ended."""
        _RUNNING.remove(kept)
        said = feedback.textLog().strip().splitlines()
        if feedback.isCanceled():
            on_end("Cancelled; what is shown is the layout before.")
        else:
            on_end("" if is_done else said[-1] if said else "The run ended without a word.")

    task.executed.connect(ended)
    QgsApplication.taskManager().addTask(task)
    return task
