from django.apps import AppConfig


class OpsConfig(AppConfig):
    name = "casebook.ops"
    default_auto_field = "django.db.models.BigAutoField"
