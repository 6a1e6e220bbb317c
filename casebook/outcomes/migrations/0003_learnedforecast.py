from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [("outcomes", "0002_isolation")]

    operations = [
        migrations.CreateModel(
            name="LearnedForecast",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                ("cures_fingerprint", models.CharField(max_length=16, unique=True)),
                ("horizon_days", models.FloatField()),
                ("forecast", models.JSONField(null=True)),
                ("report", models.JSONField(default=dict)),
                ("learned_at", models.DateTimeField()),
            ],
        ),
    ]
