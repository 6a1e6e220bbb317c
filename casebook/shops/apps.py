from django.apps import AppConfig
from django.db.models.signals import post_migrate


class ShopsConfig(AppConfig):
    name = "casebook.shops"
    default_auto_field = "django.db.models.BigAutoField"

    def ready(self) -> None:
        from casebook.shops.grants import grant_after_migrate

        post_migrate.connect(grant_after_migrate, dispatch_uid="casebook.grants")
