from django.apps import AppConfig


class OutcomesConfig(AppConfig):
    name = "casebook.outcomes"
    default_auto_field = "django.db.models.BigAutoField"
